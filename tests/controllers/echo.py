"""Does what the console says, and tells every call on the console: for tests
of the bench itself. Standard library only.

Console lines: `on NAME`, `off NAME`, `wake MICROSECONDS` (once, after that
call), `store TEXT`, `say TEXT`. Each call is echoed as one line of JSON.
"""

import json
import sys

hello = json.loads(sys.stdin.readline())["hello"]
print('{"ready":{"protocol":1,"name":"echo.py","firmware":"1"}}', flush=True)
relays = {name: False for name in hello["relays"]}
first = True
for line in sys.stdin:
    message = json.loads(line)
    if "call" not in message:
        break
    call = message["call"]
    answer = {"at": call["at"], "relays": relays, "console": [json.dumps(call, separators=(",", ":"))]}
    if first:
        first = False
        answer["console"].insert(0, f"store {hello['store']} clock {hello['kept_clock_us']}")
    for text in call["console"]:
        word, _, rest = text.partition(" ")
        if word in ("on", "off"):
            relays[rest] = word == "on"
        elif word == "wake":
            answer["wake_at"] = call["at"] + int(rest)
        elif word == "store":
            answer["store"] = rest
        elif word == "say":
            answer["console"].append(rest)
    print(json.dumps({"answer": answer}, separators=(",", ":")), flush=True)
