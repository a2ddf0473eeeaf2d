"""A controller that only shouts: what it says of itself, on its console and on standard error is meant to
break out of whatever shows it. For tests. Standard library only.
"""

import json
import sys

HOSTILE = [
    "</code></td></svg><script>alert(1)</script>",
    "&lt;b&gt; \" ' <b onload=x>",
    "=HYPERLINK(\"x\")",
    "@SUM(1)",
    "+1",
    "-1\t+1",
    "$end $var wire 1 ! x $end",
    "]]> --> </testcase>",
    "| `x` [l](javascript:a) ![i](x)",
    "\u202egnp.exe \u2066 \u200f",
]

hello = json.loads(sys.stdin.readline())["hello"]
name = "shouts </h1><b> = $end ]]> \u202e"
print(json.dumps({"ready": {"protocol": 1, "name": name, "firmware": "<i>1"}}), flush=True)
print("on standard error \x1b[31m\x07 <b> \x00 ]]>", file=sys.stderr, flush=True)
relays = {name: False for name in hello["relays"]}
first = True
for line in sys.stdin:
    message = json.loads(line)
    if "call" not in message:
        break
    answer = {"at": message["call"]["at"], "relays": relays, "console": HOSTILE if first else []}
    first = False
    print(json.dumps({"answer": answer}), flush=True)
