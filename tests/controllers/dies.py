"""Ends in the middle of a run. Standard library only.

    python3 dies.py exits|raises|killed|closes|at-once|after-a-cut
"""

import json
import os
import signal
import sys
import time

how = sys.argv[1]
if how == "at-once":
    print("no configuration found", file=sys.stderr)
    sys.exit(7)
hello = json.loads(sys.stdin.readline())["hello"]
if how == "after-a-cut" and hello["store"]:
    sys.exit("memory is damaged: " + hello["store"])
print('{"ready":{"protocol":1,"name":"dies.py","firmware":"1"}}', flush=True)
off = {name: False for name in hello["relays"]}
for count, line in enumerate(sys.stdin):
    message = json.loads(line)
    if "call" not in message:
        break
    if count == 4:
        if how == "exits":
            sys.exit(3)
        if how == "raises":
            raise RuntimeError("segment 7 of 6 \x1b[31m")
        if how == "killed":
            os.kill(os.getpid(), signal.SIGSEGV)
        if how == "closes":
            os.close(1)
            time.sleep(3600)
    print(json.dumps({"answer": {"at": message["call"]["at"], "relays": off, "store": "segment 2"}}), flush=True)
