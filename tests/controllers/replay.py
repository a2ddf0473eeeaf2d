"""Plays the program's side of the transcript in docs/program-bench.md, and
ends with an error when the bench says anything else than the page. Standard
library only.

    python3 replay.py PAGE DONE

The file DONE is written when the page has been played to its end.
"""

import json
import re
import sys

with open(sys.argv[1], encoding="utf-8") as file:
    block = re.search(r"```transcript\n(.*?)```", file.read(), re.DOTALL)
lines = block[1].splitlines()
for line in lines:
    side, _, text = line.partition(": ")
    if side == "host":
        heard = sys.stdin.readline()
        if json.loads(heard) != json.loads(text):
            sys.exit(f"the page says {text} and the bench said {heard}")
    else:
        print(text, flush=True)
with open(sys.argv[2], "w", encoding="utf-8") as file:
    file.write("played to the end\n")
