"""Stops answering: at `hello`, or at the fifth call. Standard library only.

    python3 hangs.py hello|call|half-a-line|deaf [PIDFILE]

With PIDFILE it starts a process of its own first, which would sleep for an
hour, and writes both process numbers there: they have to be gone afterwards.
`deaf` answers everything and never exits by itself.
"""

import json
import os
import signal
import subprocess
import sys
import time

where = sys.argv[1]
if len(sys.argv) > 2:
    sleeper = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(3600)"])
    with open(sys.argv[2], "w") as file:
        file.write(f"{os.getpid()} {sleeper.pid}\n")
signal.signal(signal.SIGTERM, signal.SIG_IGN)


def hang():
    while True:
        time.sleep(3600)


hello = json.loads(sys.stdin.readline())["hello"]
if where == "hello":
    hang()
print('{"ready":{"protocol":1,"name":"hangs.py","firmware":"1"}}', flush=True)
off = {name: False for name in hello["relays"]}
for count, line in enumerate(sys.stdin):
    message = json.loads(line)
    if "call" not in message:
        break
    if count == 4 and where == "call":
        print("waiting for something that never comes", file=sys.stderr, flush=True)
        hang()
    if count == 4 and where == "half-a-line":
        print('{"answer":{"at":', end="", flush=True)
        hang()
    print(json.dumps({"answer": {"at": message["call"]["at"], "relays": off}}), flush=True)
hang()
