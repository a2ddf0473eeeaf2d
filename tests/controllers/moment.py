"""A controller that heats for half a minute after each start and never again.

Nothing it does not do may count for it: no scenario may take its rest for a
reaction. Written from docs/program-bench.md; standard library only.
"""

import json
import sys

SECOND = 1_000_000
MOMENT = 30 * SECOND


def main():
    def say(key, content):
        print(json.dumps({key: content}, separators=(",", ":")), flush=True)

    hello = json.loads(sys.stdin.readline())["hello"]
    say("ready", {"protocol": 1, "name": "moment.py", "firmware": "1.0.0"})
    until = None
    for line in sys.stdin:
        message = json.loads(line)
        if "call" not in message:
            break
        call = message["call"]
        now = call["at"]
        if "start" in call["console"] or call["contacts"].get("start", False):
            until = now + MOMENT
        heat = until is not None and now < until
        say("answer", {
            "at": now,
            "relays": {role: heat for role in hello["relays"]},
            "wake_at": until if heat else now + 60 * SECOND,
            "console": [],
        })


main()
