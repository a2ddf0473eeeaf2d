#!/usr/bin/env python3
"""How long one response over a million samples takes: the judge beside rtamt and mstlo.

`always (p -> eventually[0, 5 s] q)` at 10 Hz, one process after the other in
one run. `p` is true at every second sample and `q` at every fortieth, so every
trigger is answered, and the last ones are still open at the end of the trace.
Installs nothing; see tests/outside/temporal_oracles.py for how to.
"""

import argparse
import json
import logging
import os
import platform
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SKIPPED = 77
STEP_MS = 100
WINDOW = 50

try:
    import mstlo_python as mstlo
    import rtamt
except ImportError as missing:
    print(f"skipped: {missing.name} is not installed for {sys.executable}; "
          "pip install rtamt==0.4.10 mstlo-python==0.2.2")
    sys.exit(SKIPPED)
logging.disable(logging.WARNING)


def traces(samples):
    p = [1.0 if index % 2 else -1.0 for index in range(samples)]
    q = [1.0 if index % 40 == 0 else -1.0 for index in range(samples)]
    return p, q


def by_rtamt(samples):
    """From the text of the formula to the robustness; the trace is made before."""
    p, q = traces(samples)
    times = list(range(samples))
    begun = time.process_time()
    specification = rtamt.StlDiscreteTimeSpecification()
    for name in ("p", "q", "out"):
        specification.declare_var(name, "float")
    specification.spec = f"out = always ((p > 0) -> (eventually[0:{WINDOW}] (q > 0)))"
    specification.parse()
    robustness = specification.evaluate({"time": times, "p": p, "q": q})[0][1]
    return time.process_time() - begun, "pass" if robustness > 0 else "fail (windows cut off at the end)"


def by_mstlo(samples, semantics):
    """The inner formula: it has no `always` without a bound."""
    p, q = traces(samples)
    steps = {"p": [(value, float(index)) for index, value in enumerate(p)],
             "q": [(value, float(index)) for index, value in enumerate(q)]}
    formula = mstlo.parse_formula(f"(p > 0) -> F[0, {WINDOW}](q > 0)")
    begun = time.process_time()
    monitor = mstlo.Monitor(formula, semantics=semantics)
    output = monitor.update_batch(steps)
    took = time.process_time() - begun
    verdicts = output.verdicts()
    held = all((value if isinstance(value, bool) else value > 0) for _, value in verdicts)
    return took, f"{'true' if held else 'false'} at {len({at for at, _ in verdicts})} ticks"


def by_judge(samples):
    command = ["cargo", "run", "--quiet", "--release", "--locked", "--package", "dryfire-tests", "--bin", "judge_speed"]
    if os.environ.get("JUDGE_SPEED"):
        command = [os.environ["JUDGE_SPEED"]]
    else:
        command.append("--")
    output = subprocess.run([*command, str(samples)], cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True).stdout
    return json.loads(output)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--samples", type=int, default=1_000_000, help="samples of each of the two signals")
    parser.add_argument("--repeat", type=int, default=3, help="the shortest of so many is shown")
    arguments = parser.parse_args()
    samples = arguments.samples

    def shortest(measure):
        return min((measure() for _ in range(arguments.repeat)), key=lambda result: result[0])

    ours = min((by_judge(samples) for _ in range(arguments.repeat)), key=lambda result: result["seconds"])
    second = ours["second_judge"]
    rows = [("the judge, streaming", samples, ours["seconds"], f"{ours['verdict']} ({ours['reason']})"),
            ("the second judge, whole trace", samples, second["seconds"],
             "the same" if second["same"] else "DIFFERS")]
    for semantics in ("DelayedQualitative", "DelayedQuantitative"):
        took, verdict = shortest(lambda semantics=semantics: by_mstlo(samples, semantics))
        rows.append((f"mstlo-python 0.2.2, {semantics}", samples, took, verdict))
    took, verdict = shortest(lambda: by_rtamt(samples))
    rows.append(("rtamt 0.4.10, discrete offline", samples, took, verdict))

    print(f"{platform.machine()}, {os.cpu_count()} processors, Python {platform.python_version()}, "
          f"one sample every {STEP_MS} ms, shortest of {arguments.repeat}\n")
    print("| what | samples | seconds | times the judge's | verdict |")
    print("|---|---|---|---|---|")
    for name, count, took, verdict in rows:
        times = took / count / (ours["seconds"] / samples)
        print(f"| {name} | {count:,} | {took:.3f} | {times:,.0f} | {verdict} |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
