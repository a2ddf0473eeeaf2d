"""Answers rightly, and the fifth call too late. Standard library only.

    python3 late.py MILLISECONDS
"""

import json
import sys
import time

hello = json.loads(sys.stdin.readline())["hello"]
print('{"ready":{"protocol":1,"name":"late.py","firmware":"1"}}', flush=True)
off = {name: False for name in hello["relays"]}
for count, line in enumerate(sys.stdin):
    message = json.loads(line)
    if "call" not in message:
        break
    if count == 4:
        time.sleep(int(sys.argv[1]) / 1000)
    print(json.dumps({"answer": {"at": message["call"]["at"], "relays": off}}), flush=True)
