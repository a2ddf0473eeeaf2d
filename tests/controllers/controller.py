"""A small kiln controller, written from docs/program-bench.md alone.

Standard library only. It fires ramps and holds on any number of zones with
time-proportioned element relays behind a safety contactor, and takes the heat
off when a probe breaks, the temperature runs away, nothing answers the heat,
the firing takes too long, the lid opens or stop is pressed. A kiln that gets
hotter with nothing on is not fired.

    python3 controller.py [--mistake ignores-probe-while-holding]

Times are microseconds of the bench's clock, temperatures degrees Celsius.
"""

import argparse
import json
import re
import sys

SECOND = 1_000_000
MINUTE = 60 * SECOND
HOUR = 3600 * SECOND

TICK = 1 * SECOND             # regulation and guards
SHORTEST_PULSE = 2 * SECOND   # an element relay is never on or off for less
CONTACTOR_LEAD = 200_000      # the contactor closes before the elements and opens after them
FAULT_PATIENCE = 3 * SECOND   # a probe fault has to last, so that one bad sample does not trip
OVER_TOP_PATIENCE = 2 * SECOND
FAULTS_TO_TRIP = 5            # intermittent: so many separate faults in one firing
RUNAWAY = 30.0                # above the set-point and rising
RUNAWAY_PATIENCE = 20 * SECOND
UNCOMMANDED_RISE = 20.0       # rise with the heat off
REST_TIME = 20 * MINUTE       # at rest no kiln rises by UNCOMMANDED_RISE in this time
STALL_TIME = 20 * MINUTE      # full heat without a rise of STALL_RISE
STALL_RISE = 10.0
STALL_BELOW = 600.0           # above, an old kiln on a low supply stalls honestly
FROZEN_TIME = 10 * MINUTE     # not one step of change while heating
JUMP = 50.0                   # no kiln moves so far from one second to the next
REVERSED = 15.0               # below the start with the heat on
SPREAD = 150.0                # zones so far apart: probes or outputs are crossed
HOLD_BACK = 15.0              # the set-point waits for the kiln
RESUME_WITHIN = 60.0          # after a supply cut: go on if the kiln has lost no more
SAVE_EVERY = 1 * MINUTE
BAND = 20.0                   # proportional band
INTEGRAL_TIME = 300.0         # s


class Program:
    """Segments as (kind, rate °C/h or length µs, target)."""

    def __init__(self, segments):
        self.segments = segments

    @staticmethod
    def from_hello(firing):
        segments = []
        for segment in firing:
            if "ramp" in segment:
                segments.append(["ramp", segment["ramp"]["celsius_per_hour"], segment["ramp"]["to_celsius"]])
            else:
                segments.append(["hold", segment["hold"]["length_us"], None])
        return Program(segments)

    @staticmethod
    def from_line(text):
        """`150 C/h to 1000 C; hold 20 min`; raises ValueError."""
        segments = []
        for part in text.split(";"):
            ramp = re.fullmatch(r"\s*([0-9.]+) C/h to (-?[0-9.]+) C\s*", part)
            hold = re.fullmatch(r"\s*hold((?: [0-9.]+ (?:s|min|h))+)\s*", part)
            if ramp:
                segments.append(["ramp", float(ramp[1]), float(ramp[2])])
            elif hold:
                lengths = re.findall(r"([0-9.]+) (s|min|h)", hold[1])
                length = sum(float(number) * {"s": SECOND, "min": MINUTE, "h": HOUR}[unit] for number, unit in lengths)
                segments.append(["hold", round(length), None])
            else:
                raise ValueError(f"no segment: {part.strip()}")
        return Program(segments)

    def objection(self, top):
        """Why it may not be fired, or None."""
        if not self.segments:
            return "no program"
        for kind, amount, target in self.segments:
            if kind == "ramp" and (not 1.0 <= amount <= 2000.0):
                return f"ramp of {amount:g} C/h is not between 1 and 2000"
            if kind == "ramp" and not 20.0 <= target <= top:
                return f"target {target:g} C is not between 20 and {top:g}"
            if kind == "hold" and not 0 < amount <= 100 * HOUR:
                return "hold is not between 0 and 100 h"
        return None


class Zone:
    """One zone: its reading, its guards, its element's cycle."""

    def __init__(self, name, has_probe):
        self.name = name
        self.has_probe = has_probe
        self.celsius = None        # last good reading
        self.jumped_since = None   # since when readings are too far from it
        self.fault = "pending"
        self.fault_since = None
        self.faults = 0
        self.integral = 0.0
        self.duty = 0.0
        self.cycle_began = None
        self.on_until = None
        self.begin_guards(0, None)

    def begin_guards(self, now, celsius):
        self.start_celsius = celsius
        self.stall_from, self.stall_celsius = now, celsius
        self.frozen_from, self.frozen_celsius = now, celsius
        self.off_celsius = celsius
        self.runaway_since = None
        self.over_top_since = None
        self.previous = None


class Controller:
    def __init__(self, hello, mistake=None):
        self.mistake = mistake
        self.relays = hello["relays"]
        self.has_contactor = "safety" in self.relays
        self.zones = [Zone(zone["name"], zone["probe_type"] is not None) for zone in hello["zones"]]
        declares = hello["declares"]
        self.top = declares["top_celsius"]
        self.longest = declares["longest_firing_us"]
        self.cycle = max(declares["cycle_us"], 2 * SHORTEST_PULSE)
        self.program = Program.from_hello(hello["firing"])
        self.state = "idle"        # idle, firing, finished, tripped
        self.why = ""
        self.index = 0
        self.set_point = None
        self.hold_left = 0
        self.elapsed = 0
        self.last_tick = None
        self.last_save = 0
        self.contactor_since = None
        self.drop_contactor_at = None
        self.lid = False
        self.stop = False
        self.start_was = True      # a button that is down at power-up was not pressed
        self.start_wanted = False
        self.rest_from = self.rest_celsius = None
        self.warms_at_rest = False
        self.said = []
        self.saved = None
        self.resume = None
        if hello["store"]:
            self.wake_from(hello["store"])

    # Memory that survives a supply cut.

    def wake_from(self, text):
        try:
            kept = json.loads(text)
            self.program = Program(kept["program"])
            if kept["state"] == "tripped":
                self.state, self.why = "tripped", kept["why"]
            elif kept["state"] == "firing":
                self.resume = kept
        except (ValueError, KeyError, TypeError):
            self.state, self.why = "tripped", "memory is damaged"

    def keep(self):
        kept = {"state": self.state, "why": self.why, "program": self.program.segments}
        if self.state == "firing":
            kept.update(index=self.index, set_point=round(self.set_point, 1), hold_left=self.hold_left,
                        elapsed=self.elapsed, celsius=round(self.coolest(), 1))
        elif self.resume is not None:
            kept = self.resume
        return json.dumps(kept, separators=(",", ":"))

    # What the probes say.

    def probed(self):
        return [zone for zone in self.zones if zone.has_probe]

    def hottest(self):
        return max((zone.celsius for zone in self.probed() if zone.celsius is not None), default=None)

    def coolest(self):
        return min((zone.celsius for zone in self.probed() if zone.celsius is not None), default=None)

    def take_readings(self, now, readings):
        by_name = {reading["zone"]: reading for reading in readings}
        for zone in self.probed():
            reading = by_name[zone.name]
            fault = reading.get("fault")
            if fault is None:
                self.believe(zone, reading["celsius"], now)
                zone.fault, zone.fault_since = None, None
                continue
            if zone.fault is None or zone.fault_since is None:
                zone.fault_since = now
                if fault != "pending":
                    zone.faults += 1
            zone.fault = fault

    def believe(self, zone, celsius, now):
        """A spike is not believed; what jumps and stays there for long is no kiln's doing."""
        if self.state != "firing" or zone.celsius is None or abs(celsius - zone.celsius) <= JUMP:
            zone.celsius, zone.jumped_since = celsius, None
        elif zone.jumped_since is None:
            zone.jumped_since = now

    def probe_trouble(self, now):
        for zone in self.probed():
            if zone.jumped_since is not None and now - zone.jumped_since >= FAULT_PATIENCE:
                return f"sudden jump in {zone.name}"
            if zone.fault is not None and now - zone.fault_since >= FAULT_PATIENCE:
                return f"probe {zone.name} {zone.fault}"
            if zone.faults >= FAULTS_TO_TRIP:
                return f"probe {zone.name} intermittent"
        return None

    def holding(self):
        return self.state == "firing" and self.program.segments[self.index][0] == "hold"

    # Guards, once a tick.

    def guard(self, now):
        trouble = self.probe_trouble(now)
        if trouble and not (self.mistake == "ignores-probe-while-holding" and self.holding()):
            return self.trip(trouble)
        good = [zone for zone in self.probed() if zone.fault is None]
        for zone in good:
            if zone.celsius <= self.top:
                zone.over_top_since = None
            elif zone.over_top_since is None:
                zone.over_top_since = now
            elif now - zone.over_top_since >= OVER_TOP_PATIENCE:
                return self.trip(f"over {self.top:g} C in {zone.name}")
        if self.state != "firing":
            return None
        if self.elapsed > self.longest:
            return self.trip("firing too long")
        celsius = [zone.celsius for zone in good]
        if celsius and max(celsius) - min(celsius) > SPREAD:
            return self.trip("zones too far apart")
        for zone in good:
            trouble = self.guard_zone(zone, now)
            if trouble:
                return self.trip(f"{trouble} in {zone.name}")
        return None

    def watch_rest(self, now):
        """A kiln that gets hotter with nothing on has a weld, or a switch beside the relays."""
        celsius = self.hottest()
        if self.state == "firing" or self.resume is not None or celsius is None:
            self.rest_from, self.warms_at_rest = None, False
        elif self.rest_from is None or celsius < self.rest_celsius or now - self.rest_from > REST_TIME:
            self.rest_from, self.rest_celsius, self.warms_at_rest = now, celsius, False
        elif celsius > self.rest_celsius + UNCOMMANDED_RISE:
            # Stays so until the reading falls again or has risen no further for a whole REST_TIME.
            self.rest_from, self.rest_celsius, self.warms_at_rest = now, celsius - UNCOMMANDED_RISE, True
            self.trip("gets hotter although nothing is on")

    def guard_zone(self, zone, now):
        celsius = zone.celsius
        previous, zone.previous = zone.previous, celsius
        if celsius < zone.start_celsius - REVERSED and zone.duty > 0 and celsius < 200.0:
            return "reading falls while heating"
        if celsius > self.set_point + RUNAWAY and zone.duty == 0 and previous is not None and celsius >= previous:
            if zone.runaway_since is None:
                zone.runaway_since = now
            elif now - zone.runaway_since >= RUNAWAY_PATIENCE:
                return "runaway"
        elif celsius <= self.set_point + RUNAWAY:
            zone.runaway_since = None
        if zone.duty > 0:
            zone.off_celsius = celsius
        else:
            zone.off_celsius = min(zone.off_celsius, celsius)
            if celsius > zone.off_celsius + UNCOMMANDED_RISE:
                return "rise without heat"
        if zone.duty < 0.95 or celsius > STALL_BELOW or celsius > zone.stall_celsius + STALL_RISE:
            zone.stall_from, zone.stall_celsius = now, celsius
        elif now - zone.stall_from > STALL_TIME:
            return "no rise at full heat"
        if zone.duty < 0.3 or celsius != zone.frozen_celsius:
            zone.frozen_from, zone.frozen_celsius = now, celsius
        elif now - zone.frozen_from > FROZEN_TIME:
            return "reading frozen"
        return None

    def trip(self, why):
        if self.state != "tripped":
            self.state, self.why = "tripped", why
            self.resume = None
            self.said.append(f"tripped: {why}")

    # The firing.

    def begin(self, now):
        if any(zone.fault == "pending" for zone in self.probed()):
            # Just switched on: the converters need a moment.
            self.start_wanted = True
            return
        self.start_wanted = False
        objection = self.program.objection(self.top)
        if self.state == "tripped":
            objection = f"tripped: {self.why}"
        elif self.state == "firing":
            objection = "already firing"
        elif any(zone.fault is not None for zone in self.probed()):
            objection = "a probe has no reading"
        elif self.lid:
            objection = "lid is open"
        elif self.stop:
            objection = "stop is pressed"
        elif self.hottest() is None:
            objection = "there is no probe"
        if objection:
            self.said.append(f"refused: {objection}")
            return
        self.state, self.index, self.elapsed = "firing", 0, 0
        self.set_point = self.coolest()
        self.enter_segment()
        self.heat_may_begin(now)
        self.said.append("firing")

    def go_on(self, now):
        """After a supply cut, with the first valid readings."""
        kept, self.resume = self.resume, None
        lost = kept["celsius"] - self.coolest()
        if lost > RESUME_WITHIN:
            self.state = "finished"
            self.said.append(f"firing given up: the kiln lost {lost:.0f} C while the supply was away")
            return
        self.state, self.index, self.elapsed = "firing", kept["index"], kept["elapsed"]
        self.set_point = min(kept["set_point"], self.coolest())
        self.hold_left = kept["hold_left"]
        if self.program.segments[self.index][0] == "hold":
            self.set_point = kept["set_point"]
        self.heat_may_begin(now)
        self.said.append("firing goes on after a supply cut")

    def heat_may_begin(self, now):
        for zone in self.zones:
            zone.integral, zone.duty, zone.cycle_began, zone.on_until = 0.0, 0.0, None, None
            zone.faults = 0
            zone.begin_guards(now, zone.celsius)

    def enter_segment(self):
        kind, amount, _ = self.program.segments[self.index]
        self.hold_left = amount if kind == "hold" else 0

    def follow(self, passed):
        """Moves the set-point on by `passed` µs."""
        kind, amount, target = self.program.segments[self.index]
        hottest, coolest = self.hottest(), self.coolest()
        if kind == "hold":
            if abs(self.set_point - coolest) <= HOLD_BACK:
                self.hold_left -= passed
            done = self.hold_left <= 0
        else:
            step = amount * passed / HOUR
            if target >= self.set_point:
                if self.set_point - coolest < HOLD_BACK:
                    self.set_point = min(target, self.set_point + step)
                done = self.set_point >= target and coolest >= target - 2.0
            else:
                if hottest - self.set_point < HOLD_BACK:
                    self.set_point = max(target, self.set_point - step)
                done = self.set_point <= target and hottest <= target + 2.0
        if done:
            self.index += 1
            if self.index == len(self.program.segments):
                self.state = "finished"
                self.said.append("finished")
            else:
                self.enter_segment()

    def regulate(self, zone, passed, now):
        measured = zone.celsius if zone.has_probe else self.hottest()
        error = self.set_point - measured
        if abs(error) < BAND:
            zone.integral += error / BAND * passed / SECOND / INTEGRAL_TIME
            zone.integral = min(max(zone.integral, 0.0), 1.0)
        zone.duty = min(max(error / BAND + zone.integral, 0.0), 1.0)
        if zone.cycle_began is None or now - zone.cycle_began >= self.cycle:
            zone.cycle_began = now
            on_time = int(zone.duty * self.cycle)
            if on_time < SHORTEST_PULSE:
                on_time = 0
            elif self.cycle - on_time < SHORTEST_PULSE:
                on_time = self.cycle
            zone.on_until = now + on_time

    def call(self, call):
        now, contacts = call["at"], call["contacts"]
        self.said = []
        self.lid, self.stop = contacts.get("lid", False), contacts.get("stop", False)
        self.take_readings(now, call["readings"])
        before = (self.state, self.index, self.program)
        if self.stop:
            self.start_wanted = False
        if self.stop and (self.state == "firing" or self.resume is not None):
            self.state, self.resume = "idle", None
            self.said.append("stopped")
        if contacts.get("acknowledge", False) or "acknowledge" in call["console"]:
            self.acknowledge(now)
        for line in call["console"]:
            self.console_line(line, now)
        start = contacts.get("start", False)
        if (start and not self.start_was) or self.start_wanted:
            self.begin(now)
        self.start_was = start
        if self.resume is not None and all(zone.fault is None for zone in self.probed()) and not self.lid:
            self.go_on(now)
        if self.last_tick is None or now - self.last_tick >= TICK:
            passed = 0 if self.last_tick is None else now - self.last_tick
            self.last_tick = now
            if self.state == "firing":
                self.elapsed += passed   # with the lid open as well
            self.watch_rest(now)
            self.guard(now)
            blind = any(zone.fault is not None for zone in self.probed())
            careless = self.mistake == "ignores-probe-while-holding" and self.holding()
            if self.state == "firing" and (careless or not blind) and not self.lid:
                self.follow(passed)
                if self.state == "firing":
                    for zone in self.zones:
                        self.regulate(zone, passed, now)
        relays = self.outputs(now)
        answer = {"at": now, "relays": relays, "wake_at": self.next_wake(now), "console": self.said}
        if before != (self.state, self.index, self.program) or (self.state == "firing" and now - self.last_save >= SAVE_EVERY):
            self.last_save = now
            kept = self.keep()
            if kept != self.saved:
                self.saved = answer["store"] = kept
        return answer

    def acknowledge(self, now):
        if self.state != "tripped":
            return
        trouble = self.probe_trouble(now)
        if trouble or any(zone.fault is not None for zone in self.probed()) or self.hottest() > self.top or self.warms_at_rest:
            self.said.append(f"not cured: {trouble or self.why}")
            return
        self.state, self.why = "idle", ""
        self.said.append("acknowledged")

    def console_line(self, line, now):
        if line.startswith("program "):
            if self.state == "firing":
                self.said.append("refused: firing")
                return
            try:
                program = Program.from_line(line[len("program "):])
            except ValueError as error:
                self.said.append(f"refused: {error}")
                return
            objection = program.objection(self.top)
            if objection:
                self.said.append(f"refused: {objection}")
            else:
                self.program = program
        elif line == "start":
            self.begin(now)
        elif line == "stop":
            if self.state == "firing" or self.resume is not None:
                self.state, self.resume = "idle", None
                self.said.append("stopped")
        elif line == "state":
            self.said.append(f"{self.state} {self.why}".strip())
        elif line != "acknowledge":
            self.said.append(f"refused: no such line: {line[:40]}")

    def outputs(self, now):
        enabled = self.state == "firing" and not self.lid and not self.stop
        contactor = False
        if enabled:
            if self.contactor_since is None:
                self.contactor_since = now
            self.drop_contactor_at = None
            contactor = True
        elif self.contactor_since is not None:
            # The elements go first, so that the contactor need not break their current.
            if self.drop_contactor_at is None:
                self.drop_contactor_at = now + CONTACTOR_LEAD
            contactor = now < self.drop_contactor_at
            if not contactor:
                self.contactor_since = self.drop_contactor_at = None
        relays = {}
        for name in self.relays:
            if name == "safety":
                relays[name] = contactor
                continue
            zone = next(zone for zone in self.zones if f"element.{zone.name}" == name)
            ready = not self.has_contactor or (
                self.contactor_since is not None and now - self.contactor_since >= CONTACTOR_LEAD)
            relays[name] = bool(enabled and ready and zone.on_until is not None and now < zone.on_until)
        return relays

    def next_wake(self, now):
        wake = self.last_tick + TICK
        if self.contactor_since is not None and now < self.contactor_since + CONTACTOR_LEAD:
            wake = min(wake, self.contactor_since + CONTACTOR_LEAD)
        if self.drop_contactor_at is not None:
            wake = min(wake, self.drop_contactor_at)
        for zone in self.zones:
            if zone.on_until is not None and now < zone.on_until:
                wake = min(wake, zone.on_until)
        return wake


def main():
    arguments = argparse.ArgumentParser(description="A small kiln controller for the program bench.")
    arguments.add_argument("--mistake", choices=["ignores-probe-while-holding"])
    mistake = arguments.parse_args().mistake

    def say(key, content):
        sys.stdout.write(json.dumps({key: content}, separators=(",", ":")) + "\n")
        sys.stdout.flush()

    hello = json.loads(sys.stdin.readline())["hello"]
    if hello["protocol"] != 1:
        sys.exit(f"speaks protocol 1, not {hello['protocol']}")
    controller = Controller(hello, mistake)
    say("ready", {"protocol": 1, "name": "controller.py", "firmware": "1.0.0"})
    for line in sys.stdin:
        message = json.loads(line)
        if "call" not in message:
            break
        say("answer", controller.call(message["call"]))


if __name__ == "__main__":
    main()
