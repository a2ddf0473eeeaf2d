"""Answers the fifth call (or `hello`) with something that is no answer. Standard library only.

    python3 nonsense.py KIND

The kinds are the keys of the two tables below.
"""

import json
import sys

kind = sys.argv[1]
hello = json.loads(sys.stdin.readline())["hello"]

ready = {
    "other-protocol": b'{"ready":{"protocol":2,"name":"nonsense.py","firmware":"1"}}',
    "ready-without-firmware": b'{"ready":{"protocol":1,"name":"nonsense.py"}}',
    "ready-with-more": b'{"ready":{"protocol":1,"name":"nonsense.py","firmware":"1","maker":"x"}}',
    "empty-firmware": b'{"ready":{"protocol":1,"name":"nonsense.py","firmware":" "}}',
    "other-firmware": b'{"ready":{"protocol":1,"name":"nonsense.py","firmware":"0.9"}}',
    "greeting": b"controller v1 (c) nobody",
    "answer-to-hello": b'{"answer":{"at":0,"relays":{}}}',
}.get(kind, b'{"ready":{"protocol":1,"name":"nonsense.py","firmware":"1"}}')
sys.stdout.buffer.write(ready + b"\n")
sys.stdout.flush()

off = {name: False for name in hello["relays"]}
for count, line in enumerate(sys.stdin):
    message = json.loads(line)
    if "call" not in message:
        break
    at = message["call"]["at"]
    good = {"at": at, "relays": off}
    answer = json.dumps({"answer": good}).encode()
    if count == 4:
        first = hello["relays"][0]
        without_first = {name: False for name in hello["relays"][1:]}
        answer = {
            "log-line": b"temperature 20.1 \x1b[0m",
            "empty-line": b"",
            "half": answer[:-1],
            "no-utf8": b'{"answer":{"at":' + str(at).encode() + b',"relays":{"\xff\xfe":true}}}',
            "number": b"12",
            "unknown-key": json.dumps({"answer": {**good, "wakeat": at + 1000}}).encode(),
            "unknown-relay": json.dumps({"answer": {**good, "relays": {**off, "element.attic": False}}}).encode(),
            "missing-relay": json.dumps({"answer": {**good, "relays": without_first}}).encode(),
            "relay-twice": answer.replace(b'"relays": {', b'"relays": {"' + first.encode() + b'": true, '),
            "relay-as-number": json.dumps({"answer": {**good, "relays": {**off, first: 1}}}).encode(),
            "at-twice": answer.replace(b'"at"', b'"at": 0, "at"', 1),
            "other-at": json.dumps({"answer": {**good, "at": at - 1}}).encode(),
            "no-at": json.dumps({"answer": {"relays": off}}).encode(),
            "wake-in-the-past": json.dumps({"answer": {**good, "wake_at": at}}).encode(),
            "wake-as-decimal": json.dumps({"answer": {**good, "wake_at": at + 1e6}}).encode(),
            "wake-too-large": json.dumps({"answer": {**good, "wake_at": 2**70}}).encode(),
            "not-a-number": json.dumps({"answer": {**good, "wake_at": float("nan")}}).encode(),
            "store-too-long": json.dumps({"answer": {**good, "store": "x" * 4097}}).encode(),
            "two-console-lines-in-one": json.dumps({"answer": {**good, "console": ["a\nb"]}}).encode(),
            "too-many-console-lines": json.dumps({"answer": {**good, "console": ["a"] * 65}}).encode(),
            "long-console-line": json.dumps({"answer": {**good, "console": ["a" * 1025]}}).encode(),
            "ready-again": ready,
            "second-line": answer + b"\n" + answer,
            "two-objects": answer + answer,
            "deep": b"[" * 5000,
        }.get(kind, answer)
    sys.stdout.buffer.write(answer + b"\n")
    sys.stdout.flush()
