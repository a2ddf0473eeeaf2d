"""Writes more than is bearable, from the fifth call on. Standard library only.

    python3 floods.py line|endless|lines|garbage|log|console
"""

import json
import sys

what = sys.argv[1]
hello = json.loads(sys.stdin.readline())["hello"]
print('{"ready":{"protocol":1,"name":"floods.py","firmware":"1"}}', flush=True)
off = {name: False for name in hello["relays"]}


def flood(stream, text):
    while True:
        stream.write(text)
        stream.flush()


for count, line in enumerate(sys.stdin):
    message = json.loads(line)
    if "call" not in message:
        break
    answer = {"at": message["call"]["at"], "relays": off}
    if what == "console":
        answer["console"] = ["element top switched"] * 60
        answer["wake_at"] = answer["at"] + 1000
    if count == 4:
        if what == "line":
            answer["console"] = ["x" * 100_000]
        elif what == "endless":
            flood(sys.stdout, "x" * 1000)
        elif what == "lines":
            flood(sys.stdout, json.dumps({"answer": answer}) + "\n")
        elif what == "garbage":
            flood(sys.stdout, "y\n")
        elif what == "log":
            flood(sys.stderr, "adc: 511\n")
    print(json.dumps({"answer": answer}), flush=True)
