#!/usr/bin/env python3
"""Compares the judge's findings with those of independent temporal-logic libraries.

Reads the lines of `judge_cases` and judges each case again with

* rtamt 0.4.10 (discrete time, offline) where every obligation is decided
  before the end of the trace, and
* mstlo-python 0.2.2 (robust satisfaction intervals) where some may be open,

then compares verdict, margin and the instant that decided. What each claim and
scope means in the libraries' logic is written here, from docs/judging.md and
not from the judge's code; docs/outside-checks.md says what is compared and
what is not. Installs nothing: without the libraries it says so and exits 77.

    python3 -m venv target/oracles
    target/oracles/bin/pip install rtamt==0.4.10 mstlo-python==0.2.2
    target/oracles/bin/python tests/outside/temporal_oracles.py --count 24000
"""

import argparse
import collections
import json
import logging
import math
import multiprocessing
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SKIPPED = 77

# Farther from zero than any level here: a switch is beyond every level.
BEYOND = 1.0e6

# Scopes that something ends, and those of them that are about nothing without it.
ENDED = {"before", "between", "after-until", "whenever-before", "whenever-between", "whenever-after-until"}
NEEDS_END = {"before", "between", "whenever-before", "whenever-between"}
# For rtamt: inside a part of the run, which has begun and has not been ended since.
PART = "((closes < 0) since ((opens > 0) and (closes < 0)))"
# Counted with `next` and with `rise`, which only rtamt has, and that has no open ends.
COUNTS = {"times", "at-most-in"}


def spoken(case):
    """The case in a form to be read."""
    lines = [f"seed {case['seed']}, case {case['index']}: tick {case['tick_us']} µs, end at tick {case['end']}"
             + (", cut short" if case["cut_short"] else "")]
    lines.append(f"  scope {json.dumps(case['scope'])}")
    lines.append(f"  claim {json.dumps(case['claim'])}" + (f", release {case['release']}" if case["release"] else ""))
    for signal in case["signals"]:
        lines.append(f"  {signal['name']}: {' '.join(map(str, signal['values']))}")
    for moment in case["moments"]:
        lines.append(f"  moment {moment['moment']} at tick {moment['at']}")
    lines.append(f"  the judge: {json.dumps(case['finding'])}")
    return "\n".join(lines)


class Rtamt:
    """Formulas as text, evaluated by rtamt: robustness at every tick.

    Its `next` is weak (true at the end), its `rise` counts a start at the
    first tick; windows are cut off at the end of the trace.
    """

    def __init__(self, signals):
        self.data = {"time": list(range(len(next(iter(signals.values())))))}
        self.data.update(signals)
        self.names = list(signals)
        self.known = {}

    def robustness(self, formula):
        if formula not in self.known:
            specification = rtamt.StlDiscreteTimeSpecification()
            for name in self.names:
                specification.declare_var(name, "float")
            specification.declare_var("out", "float")
            specification.spec = "out = " + formula
            specification.parse()
            data = {name: list(values) for name, values in self.data.items()}
            self.known[formula] = [value for _, value in specification.evaluate(data)]
        return self.known[formula]

    true = "(beyond > 0)"
    false = "(beyond < 0)"

    @staticmethod
    def above(name, limit):
        return f"({name} > {limit})"

    @staticmethod
    def below(name, limit):
        return f"({name} < {limit})"

    @staticmethod
    def no(inner):
        return f"(not {inner})"

    @staticmethod
    def both(*parts):
        return "(" + " and ".join(parts) + ")" if len(parts) > 1 else parts[0]

    @staticmethod
    def either(*parts):
        return "(" + " or ".join(parts) + ")" if len(parts) > 1 else parts[0]

    @staticmethod
    def always(inner, first=None, last=None):
        return f"(always{'' if last is None else f'[{first}:{last}]'} {inner})"

    @staticmethod
    def sometime(inner, first=None, last=None):
        return f"(eventually{'' if last is None else f'[{first}:{last}]'} {inner})"

    @staticmethod
    def until(left, right, first=None, last=None):
        return f"({left} until{'' if last is None else f'[{first}:{last}]'} {right})"

    def rise(self, condition):
        return f"(rise{condition})"

    @staticmethod
    def falls(name):
        return f"(fall({name} > 0))"

    @staticmethod
    def next(inner):
        # Strong: false at the last tick.
        return f"(not (next (not {inner})))"


class Mstlo:
    """The same formulas for mstlo: at every tick an interval of robustness,
    given what was seen; unbounded operators reach far beyond the end."""

    def __init__(self, signals):
        self.signals = {name: [(float(value), float(at)) for at, value in enumerate(values)]
                        for name, values in signals.items()}
        self.far = float(2 * len(next(iter(signals.values()))) + 100)

    def intervals(self, formula):
        monitor = mstlo.Monitor(formula, semantics="Rosi")
        # In one order, so that two runs are alike.
        used = sorted(monitor.get_signal_identifiers(), reverse=True)
        output = monitor.update_batch({name: self.signals[name] for name in used})
        latest = {}
        for at, interval in output.verdicts():
            latest[at] = interval
        return latest

    true = property(lambda self: mstlo.Formula.true_())
    false = property(lambda self: mstlo.Formula.false_())

    @staticmethod
    def above(name, limit):
        return mstlo.Formula.gt(name, float(limit))

    @staticmethod
    def below(name, limit):
        return mstlo.Formula.lt(name, float(limit))

    @staticmethod
    def no(inner):
        return mstlo.Formula.not_(inner)

    @staticmethod
    def both(first, *rest):
        for part in rest:
            first = mstlo.Formula.and_(first, part)
        return first

    @staticmethod
    def either(first, *rest):
        for part in rest:
            first = mstlo.Formula.or_(first, part)
        return first

    def always(self, inner, first=0, last=None):
        return mstlo.Formula.always(float(first), self.far if last is None else float(last), inner)

    def sometime(self, inner, first=0, last=None):
        return mstlo.Formula.eventually(float(first), self.far if last is None else float(last), inner)

    def until(self, left, right, first=0, last=None):
        return mstlo.Formula.until(float(first), self.far if last is None else float(last), left, right)

    @staticmethod
    def falls(name):
        # Each signal is given a second time, one tick later.
        return mstlo.Formula.and_(mstlo.Formula.gt("before_" + name, 0.0), mstlo.Formula.lt(name, 0.0))


def condition(logic, tree, half, late=""):
    """A condition on the signals; with `half` the limits are moved by half a
    thousandth of a degree so that whole numbers never lie on them, and strict
    and closed comparisons mean to the library what they mean to the judge."""
    kind = tree[0]
    if kind == "on":
        return logic.above(late + tree[1], 0)
    if kind == "off":
        return logic.below(late + tree[1], 0)
    if kind == "not":
        return logic.no(condition(logic, tree[1], half, late))
    if kind == "all":
        return logic.both(*(condition(logic, part, half, late) for part in tree[1]))
    if kind == "any":
        return logic.either(*(condition(logic, part, half, late) for part in tree[1]))
    by = 0.5 if half else 0
    name, limit = late + tree[1], tree[2]
    return {
        "below": lambda: logic.below(name, limit - by),
        "at-most": lambda: logic.below(name, limit + by),
        "above": lambda: logic.above(name, limit + by),
        "at-least": lambda: logic.above(name, limit - by),
    }[kind]()


def claim_at_opening(logic, case, half=True, limit=None):
    """What the claim means at the tick at which its scope opens: a formula that
    is true where it holds, one that is true where it fails. Where neither is
    true, nothing can be said. `closes` marks the ticks at which a scope that is
    open ends; the scope reaches to just before the first of them."""
    claim, kind = case["claim"], case["claim"]["kind"]
    ended = case["scope"]["kind"] in ENDED
    closes = logic.above("closes", 0)
    going = logic.below("closes", 0)
    required = [logic.sometime(closes)] if case["scope"]["kind"] in NEEDS_END else []
    if limit is None and "limit" in claim:
        limit = claim["limit"] - case["release"]
    c = None
    if "condition" in claim:
        c = condition(logic, claim["condition"], half)
        if kind == "never":
            c = logic.no(c)

    # For rtamt the left side of `until` need not hold at the last instant, for mstlo it has to.
    up_to_there = c and logic.either(c, closes)

    def not_(inner):
        return logic.both(going, *required, logic.no(inner))

    def reaches(inner, *bounds):
        """`inner` at some instant of the scope."""
        if ended:
            return logic.both(*required, logic.until(going, logic.both(inner, going), *bounds))
        return logic.sometime(inner, *bounds)

    if kind in ("always", "never"):
        if not ended:
            return logic.always(c), logic.no(logic.always(c))
        to_the_end = logic.until(up_to_there, closes)
        if not required:
            to_the_end = logic.either(to_the_end, logic.always(c))
        return logic.both(going, *required, to_the_end), reaches(logic.no(c))
    if kind == "sometime":
        holds = reaches(c)
        return holds, not_(holds) if ended else logic.no(holds)
    if kind == "holds-for":
        span = claim["span"]
        if not ended:
            return logic.always(c, 0, span), logic.no(logic.always(c, 0, span))
        whole = logic.either(logic.always(c, 0, span), logic.until(up_to_there, closes, 0, span))
        return logic.both(going, *required, whole), reaches(logic.no(c), 0, span)
    if kind == "within":
        if not ended:
            return logic.sometime(c, 0, limit), logic.always(logic.no(c), 0, limit)
        fails = logic.both(*required, logic.always(logic.both(logic.no(c), going), 0, limit))
        return reaches(c, 0, limit), fails
    if kind == "times":
        def at_least(count):
            if count == 0:
                return logic.true
            rise = logic.rise(c)
            return reaches(rise if count == 1 else logic.both(rise, logic.next(at_least(count - 1))))
        holds = logic.both(at_least(claim["at_least"]), logic.no(at_least(claim["at_most"] + 1)))
        return (logic.both(going, *required, holds), not_(holds)) if ended else (holds, logic.no(holds))
    if kind == "precedes":
        first = condition(logic, claim["first"], half)
        early = logic.both(c, logic.no(first))
        if not ended:
            out_of_order = logic.until(logic.no(first), early)
            return logic.both(logic.sometime(c), logic.no(out_of_order)), out_of_order
        out_of_order = logic.both(*required, logic.until(logic.both(logic.no(first), going), logic.both(early, going)))
        return logic.both(reaches(c), logic.no(out_of_order)), out_of_order
    if kind == "heat-cut":
        heat, hold = claim["heat"], claim["hold"]
        on, off = logic.above(heat, 0), logic.below(heat, 0)
        cut = logic.both(logic.falls(heat), logic.always(off, 0, hold - 1))
        nothing_to_cut = logic.always(off, 0, max(limit, hold - 1))
        in_time = logic.sometime(cut, 1, limit) if limit >= 1 else logic.false
        failed = logic.both(logic.no(in_time), logic.no(nothing_to_cut))
        if not ended:
            return in_time, failed
        holds = logic.false
        if limit >= 1:
            holds = reaches(logic.both(cut, logic.always(going, 0, hold - 1)), 1, limit)
        # It is certain at the first instant of heat that is too late.
        on_late = logic.until(going, logic.both(on, going))
        if limit > 0:
            on_late = logic.sometime(on_late, limit, limit)
        return holds, logic.both(*required, failed, logic.always(going, 0, limit), on_late)
    raise ValueError(f"no such claim: {kind}")


def duration(case):
    """Whether the claim is how long its own trigger lasts: "at least", "at most" or nothing."""
    trigger, claim = case["scope"]["condition"], case["claim"]
    if not trigger:
        return None
    if claim["kind"] == "holds-for":
        return "at least" if claim["condition"] == trigger else None
    if claim["kind"] != "within":
        return None
    other = claim["condition"]
    switched = {other[0], trigger[0]} == {"on", "off"} and other[1] == trigger[1]
    return "at most" if switched or other == ["not", trigger] or trigger == ["not", other] else None


def opens(logic, case, limit=None):
    """True at the ticks at which the scope opens."""
    scope = case["scope"]
    if not scope["condition"]:
        return logic.above("opens", 0)
    if isinstance(logic, Rtamt):
        return opens_by_condition(logic, case, limit)
    if scope["kind"] != "whenever" or duration(case):
        # mstlo has no past; what lies there has no open end, and rtamt knows.
        return logic.above("triggered", 0)
    trigger = condition(logic, scope["condition"], True)
    before = condition(logic, scope["condition"], True, "before_")
    return logic.both(trigger, logic.either(logic.above("first", 0), logic.no(before)))


def opens_by_condition(logic, case, limit):
    kind, lasts = case["scope"]["kind"], duration(case)
    trigger = condition(logic, case["scope"]["condition"], True)
    if kind == "whenever":
        opening = logic.rise(trigger)
    elif lasts == "at least":
        # How long it has lasted where the part begins is not claimed.
        opening = logic.both(logic.rise(trigger), PART)
    else:
        # A part that ends where it begins is empty; the trigger that is true
        # there opens a scope that holds no instant.
        empty = logic.both("(opens > 0)", "(closes > 0)", f"(not (once[1:1] {PART}))")
        opening = logic.either(logic.rise(logic.both(trigger, PART)), logic.both(trigger, empty))
    if lasts != "at most":
        return opening
    # What the end cuts off before it can have lasted too long counts for nothing.
    limit = case["claim"]["limit"] - case["release"] if limit is None else limit
    lasting = logic.no(condition(logic, case["claim"]["condition"], True))
    cut_off = []
    if kind in ENDED:
        cut_off.append(logic.until(logic.both("(closes < 0)", lasting), logic.both("(closes > 0)", lasting), 0, limit))
    if kind not in NEEDS_END and not case["cut_short"]:
        near_the_end = f"(ticks_left < {limit - 0.5})"
        cut_off.append(logic.both(near_the_end, logic.always("(closes < 0)"), logic.always(lasting)))
    return logic.both(opening, logic.no(logic.either(*cut_off))) if cut_off else opening


def traces(case):
    """The signals as the libraries get them, and whether something opens after the end."""
    ticks = case["end"] + 1

    def marks(at):
        at = set(at)
        return [BEYOND if tick in at else -BEYOND for tick in range(ticks)]

    def instants(instant):
        return [m["at"] + instant["offset"] for m in case["moments"] if m["moment"] == instant["moment"]]

    scope = case["scope"]
    opening = instants(scope["from"]) if scope["from"] else [0]
    closing = instants(scope["to"]) if scope["to"] else []
    signals = {"opens": marks(opening), "closes": marks(closing), "first": marks([0]), "beyond": [BEYOND] * ticks,
               "ticks_left": [float(case["end"] - tick) for tick in range(ticks)]}
    for signal in case["signals"]:
        values = [float(value) for value in signal["values"]]
        if signal["switch"]:
            values = [BEYOND if value else -BEYOND for value in values]
        signals[signal["name"]] = values
        signals["before_" + signal["name"]] = values[:1] + values[:-1]
    late = any(at >= ticks for at in opening)
    if scope["condition"]:
        logic = Rtamt(signals)
        signals["triggered"] = logic.robustness(opens(logic, case))
    if scope["kind"].startswith("whenever-"):
        # A part that would begin later adds nothing to one that is open at the end.
        late = late and logic.robustness(PART)[-1] < 0
    return signals, late


def may_open_again(case, signals):
    """Whether a condition would open the scope again if the run went on."""
    kind = case["scope"]["kind"]
    return kind == "whenever" or kind.startswith("whenever-") and Rtamt(signals).robustness(PART)[-1] > 0


def verdict_of(opened, late, passes, fails):
    if fails:
        return "fail"
    return "pass" if passes and not late and opened else "inconclusive"


def by_rtamt(case, logic, late, limit=None):
    """The verdict, all of it by formulas over the whole trace."""
    holds, fails = claim_at_opening(logic, case, limit=limit)
    open_ = opens(logic, case, limit)
    any_open = logic.robustness(logic.sometime(open_))[0] > 0
    failed = logic.robustness(logic.sometime(logic.both(open_, fails)))[0] > 0
    passed = logic.robustness(logic.always(logic.either(logic.no(open_), holds)))[0] > 0
    return verdict_of(any_open, late, passed, failed)


def by_mstlo(case, logic, late):
    """The verdict from the intervals of robustness at each opening.

    The openings are gathered here: mstlo 0.2.2 leaves an `always` around them
    undecided for as long as what is inside is not final at every tick, even
    where its lower end is positive already.
    """
    holds, fails = claim_at_opening(logic, case)
    unknown = (-math.inf, math.inf)
    holds, fails = logic.intervals(holds), logic.intervals(fails)
    at = [tick for tick, (least, _) in logic.intervals(opens(logic, case)).items() if least > 0]
    failed = any(fails.get(tick, unknown)[0] > 0 for tick in at)
    passed = all(holds.get(tick, unknown)[0] > 0 for tick in at)
    return verdict_of(at, late, passed, failed)


def rises_of(case, logic):
    """For each opening, the ticks of its scope at which the counted comes true.
    rtamt finds the rises and the openings; no formula counts within a moving
    stretch, so the counting is done here."""
    rise = logic.robustness(logic.rise(condition(logic, case["claim"]["condition"], True)))
    ended = case["scope"]["kind"] in ENDED
    for opening in openings(logic, case):
        close = case["end"] + 1
        closed = not ended
        if ended:
            ends = [at for at in range(opening, close) if logic.data["closes"][at] > 0]
            closed = bool(ends) or case["scope"]["kind"] not in NEEDS_END
            close = min(ends, default=close)
        yield opening, close, closed, [at for at in range(opening, close) if rise[at] > 0]


def at_most_in(case, logic, late):
    """Verdict, margin and deciding instant of a count in every stretch."""
    at_most, window = case["claim"]["at_most"], case["claim"]["window"]
    failing, margins, undecided, opened = [], [], late, False
    for opening, close, closed, rises in rises_of(case, logic):
        opened = True
        if not closed or close == opening:
            undecided = True
            continue
        most = max((sum(at <= other <= at + window for other in rises) for at in rises), default=0)
        margins.append(at_most - most)
        too_many = [at for index, at in enumerate(rises) if index >= at_most and at - rises[index - at_most] <= window]
        failing += too_many[:1]
    if failing:
        return "fail", -1, min(failing)
    if undecided or not opened:
        return "inconclusive", None, None
    return "pass", min(margins), None


class Checks:
    """What was compared, and what differed."""

    def __init__(self):
        self.counts = collections.Counter()
        self.wrong = []

    def add(self, what):
        self.counts[what] += 1

    def same(self, what, ours, theirs):
        self.add(what)
        if ours != theirs:
            self.wrong.append(f"{what}: the judge says {ours}, the library {theirs}")


def check_reason(case, checks):
    """With nothing uncertain and nothing unobserved only these can be."""
    finding = case["finding"]
    expected = {
        "pass": {"held"},
        "fail": {"limit-exceeded", "violated", "not-reached", "reached-late", "heat-not-cut", "heat-cut-late",
                 "too-few", "too-many", "too-short", "too-long", "out-of-order"},
        "inconclusive": {"trigger-not-observed", "still-open", "vacuous"},
    }[finding["verdict"]]
    if finding["reason"] not in expected:
        checks.wrong.append(f"reason: {finding['reason']} for {finding['verdict']} where all is exact and observed")


def openings(logic, case):
    return [at for at, value in enumerate(logic.robustness(opens(logic, case))) if value > 0]


def check_level_margin(case, logic, checks):
    """The margin of the occurrence that is reported, as a robustness."""
    finding, kind = case["finding"], case["claim"]["kind"]
    holds, _ = claim_at_opening(logic, case, half=False)
    _, fails = claim_at_opening(logic, case)
    robustness = logic.robustness(holds)
    at = openings(logic, case)
    if any(robustness[opening] == 0 for opening in at):
        checks.add("distance of exactly zero")
    ours = finding["margin"] and finding["margin"]["number"]

    def levels(occurrences):
        return [None if abs(robustness[o]) >= BEYOND / 2 else robustness[o] for o in occurrences]

    if finding["verdict"] == "pass":
        least = min((level for level in levels(at) if level is not None), default=None)
        checks.same("level margin of a pass", ours, least)
        return
    failing = [o for o in at if logic.robustness(fails)[o] > 0]
    if kind == "sometime":
        found = levels(failing)
        if all(level == found[0] for level in found):
            checks.same("level margin of a fail", ours, found[0])
        else:
            # Which of several comes first is a rule of ours.
            checks.add("level margin of a fail, one of several")
            if ours not in found:
                checks.wrong.append(f"margin: the judge says {ours}, the library one of {found}")
        return
    c = condition(logic, case["claim"]["condition"], True)
    violated = logic.robustness(c if kind == "never" else logic.no(c))
    first = {o: next(t for t in range(o, case["end"] + 1) if violated[t] > 0) for o in failing}
    deciding = min(failing, key=lambda o: (first[o], o))
    checks.same("level margin of a fail", ours, levels([deciding])[0])
    checks.same("instant that decided", finding["decided_at_us"], first[deciding] * case["tick_us"])


def check_time_margin(case, logic, late, checks):
    """The bound shortened by the margin is kept, and by one tick more it is not."""
    finding = case["finding"]
    limit = case["claim"]["limit"] - case["release"]
    margin = finding["margin"] and finding["margin"]["us"]
    if margin is not None and margin % case["tick_us"] != 0:
        checks.wrong.append(f"margin: {margin} µs is no whole number of ticks of {case['tick_us']} µs")
        return
    margin = None if margin is None else margin // case["tick_us"]
    if finding["verdict"] == "pass":
        if margin is None:
            checks.wrong.append("margin: a pass in time has none")
            return
        if not 0 <= margin <= limit:
            checks.wrong.append(f"margin: {margin} ticks for a pass within {limit}")
            return
        checks.same("bound shortened by the margin", "pass", by_rtamt(case, logic, late, limit - margin))
        if limit - margin >= 1:
            shorter = by_rtamt(case, logic, late, limit - margin - 1)
            checks.same("bound shortened by one tick more", False, shorter == "pass")
        else:
            checks.add("bound that cannot be shorter")
        return
    _, fails = claim_at_opening(logic, case)
    failed = logic.robustness(fails)
    first = next(o for o in openings(logic, case) if failed[o] > 0)

    def holds(bound):
        return logic.robustness(claim_at_opening(logic, case, limit=bound)[0])[first] > 0

    if margin is None:
        checks.same("never reached, however long the bound", False, holds(case["end"]))
    else:
        checks.same("bound lengthened to the margin", True, margin < 0 and holds(limit - margin))
        checks.same("bound lengthened by one tick less", False, holds(limit - margin - 1))
    if case["claim"]["kind"] == "within":
        checks.same("instant that decided", finding["decided_at_us"], (first + limit) * case["tick_us"])


def check_counts(case, logic, late, checks):
    finding = case["finding"]
    verdict, margin, at = at_most_in(case, logic, late)
    checks.same("verdict", finding["verdict"], verdict)
    if verdict != "inconclusive":
        checks.same("margin of a count", finding["margin"] and finding["margin"]["number"], margin)
    if verdict == "fail":
        checks.same("instant that decided", finding["decided_at_us"], at * case["tick_us"])


def check_order_margin(case, logic, checks):
    """How much later what comes first could have come, or how much too late it came."""
    finding, claim = case["finding"], case["claim"]
    then = logic.robustness(condition(logic, claim["condition"], True))
    first = logic.robustness(condition(logic, claim["first"], True))
    _, fails = claim_at_opening(logic, case)
    ended = case["scope"]["kind"] in ENDED
    found = []
    for opening in openings(logic, case):
        ticks = list(range(opening, case["end"] + 1))
        if ended:
            ticks = ticks[:next((i for i, at in enumerate(ticks) if logic.data["closes"][at] > 0), len(ticks))]
        failed = logic.robustness(fails)[opening] > 0
        if finding["verdict"] == "fail" and not failed:
            continue
        came_then = next(at for at in ticks if then[at] > 0)
        came_first = next((at for at in ticks if first[at] > 0), None)
        margin = None
        if came_first is not None and first[opening] <= 0:
            margin = (came_then - came_first) * case["tick_us"]
        found.append((came_then * case["tick_us"], opening, margin))
    ours = finding["margin"] and finding["margin"]["us"]
    if finding["verdict"] == "pass":
        least = min((margin for _, _, margin in found if margin is not None), default=None)
        checks.same("margin of an order kept", ours, least)
        return
    at, _, margin = min(found, key=lambda occurrence: occurrence[:2])
    checks.same("margin of an order not kept", ours, margin)
    checks.same("instant that decided", finding["decided_at_us"], at)


def judge(line):
    """Compares one case: what it was, what was checked, what differed."""
    case = json.loads(line)
    checks = Checks()
    kind, verdict = case["claim"]["kind"], case["finding"]["verdict"]
    signals, late = traces(case)
    # Nothing is open at a planned end where the claim has no bound of its own.
    open_at_end = not case["closed"] and (case["cut_short"] or kind in ("holds-for", "within", "heat-cut"))
    library = "mstlo" if open_at_end else "rtamt"
    if open_at_end and kind in COUNTS:
        return (kind, case["scope"]["kind"], verdict, "left out"), checks.counts, [], ""
    check_reason(case, checks)
    if open_at_end:
        logic = Mstlo(signals)
        expected = by_mstlo(case, logic, late)
        if expected == "pass" and case["cut_short"] and may_open_again(case, signals):
            expected = "inconclusive"
        checks.same("verdict", verdict, expected)
    else:
        logic = Rtamt(signals)
        if kind == "at-most-in":
            check_counts(case, logic, late, checks)
        else:
            checks.same("verdict", verdict, by_rtamt(case, logic, late))
        if verdict != "inconclusive" and not checks.wrong:
            if kind in ("always", "never", "sometime", "holds-for"):
                check_level_margin(case, logic, checks)
            elif kind in ("within", "heat-cut"):
                check_time_margin(case, logic, late, checks)
            elif kind == "precedes":
                check_order_margin(case, logic, checks)
    wrong = [f"{wrong} ({library})" for wrong in checks.wrong]
    return (kind, case["scope"]["kind"], verdict, library), checks.counts, wrong, spoken(case) if wrong else ""


def lines(arguments):
    if arguments.cases:
        yield from (sys.stdin if arguments.cases == "-" else open(arguments.cases, encoding="utf-8"))
        return
    command = ["cargo", "run", "--quiet", "--locked", "--package", "dryfire-tests", "--bin", "judge_cases", "--",
               str(arguments.seed), str(arguments.count)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as program:
        yield from program.stdout
        if program.wait() != 0:
            sys.exit(f"judge_cases ended with status {program.returncode}")


def table(cases):
    """Counts for each claim, scope and verdict, by library."""
    claims = sorted({(claim, scope) for claim, scope, _, _ in cases})
    columns = [(library, verdict) for library in ("rtamt", "mstlo") for verdict in ("pass", "fail", "inconclusive")]
    head = f"{'claim':<11}{'scope':<22}" + "".join(f"{f'{lib} {ver[:5]}':>13}" for lib, ver in columns) + f"{'left out':>10}"
    rows = [head]
    for claim, scope in claims:
        numbers = "".join(f"{cases[(claim, scope, verdict, library)]:>13}" for library, verdict in columns)
        out = sum(cases[(claim, scope, verdict, "left out")] for verdict in ("pass", "fail", "inconclusive"))
        rows.append(f"{claim:<11}{scope:<22}{numbers}{out:>10}")
    return "\n".join(rows)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=20261125, help="seed of the random cases")
    parser.add_argument("--count", type=int, default=24000, help="how many cases")
    parser.add_argument("--cases", help="read cases from this file (or - for standard input) instead of making them")
    parser.add_argument("--jobs", type=int, default=multiprocessing.cpu_count(), help="processes to judge with")
    parser.add_argument("--show", type=int, default=5, help="how many disagreements to show in full")
    arguments = parser.parse_args()

    cases, checked, shown, disagreements = collections.Counter(), collections.Counter(), [], 0
    with multiprocessing.Pool(arguments.jobs) as pool:
        for key, counts, wrong, text in pool.imap(judge, lines(arguments), chunksize=50):
            cases[key] += 1
            checked.update(counts)
            if wrong:
                disagreements += 1
                if len(shown) < arguments.show:
                    shown.append("\n".join([*wrong, text]))

    print(table(cases))
    print()
    for what, count in sorted(checked.items()):
        print(f"{count:>8}  {what}")
    left_out = sum(count for key, count in cases.items() if key[3] == "left out")
    compared = sum(cases.values()) - left_out
    print(f"\n{compared} cases compared, {left_out} left out, {disagreements} disagreements")
    for text in shown:
        print("\n" + text)
    return 1 if disagreements or compared == 0 else 0


try:
    import mstlo_python as mstlo
    import rtamt
except ImportError as missing:
    print(f"skipped: {missing.name} is not installed for {sys.executable}; "
          "pip install rtamt==0.4.10 mstlo-python==0.2.2")
    sys.exit(SKIPPED)
# It would warn of every name that it was not told of.
logging.disable(logging.WARNING)

if __name__ == "__main__":
    sys.exit(main())
