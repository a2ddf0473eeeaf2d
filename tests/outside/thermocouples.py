#!/usr/bin/env python3
"""Reference functions and inverses of all eight types beside the package `thermocouple-its90`.

The package (PyPI, 1.0.2, MIT; its coefficients parsed from the files of NIST's
ITS-90 Thermocouple Database, SRD 60) and `dryfire-units` were written apart
from each other. Both give the exact inverse of the reference function, so both
directions have to agree to rounding.

    cargo build --release -p dryfire-tests --bin thermocouple_grid
    target/release/thermocouple_grid | python3 tests/outside/thermocouples.py

Installs nothing: without the package it says so and exits 77. Status 1 if an
emf is off by more than 1 nV or a temperature by more than 1 µK where the type
gives at least 1 µV/°C (below that, 1 nV of emf).
"""

import collections
import sys

try:
    from thermocouple_its90 import RangeError, get
except ImportError as missing:
    print(f"skipped: {missing} (python3 -m pip install thermocouple-its90==1.0.2)")
    sys.exit(77)

EMF_LIMIT = 1e-3  # µV
TEMPERATURE_LIMIT = 1e-6  # °C


def main():
    worst = collections.defaultdict(lambda: (0.0, 0.0))
    count = collections.Counter()
    outside = collections.Counter()
    agrees = True
    for line in sys.stdin:
        what, letter, at, value = line.split()
        at, value = float(at), float(value)
        theirs = get(letter)
        try:
            if what == "emf":
                off, allowed = abs(theirs.emf(at) * 1e3 - value), EMF_LIMIT
            else:
                off = abs(theirs.temperature(at / 1e3) - value)
                slope = abs(theirs.seebeck(value)) * 1e3
                allowed = max(TEMPERATURE_LIMIT, EMF_LIMIT / slope if 0 < slope < 1 else 0.0)
        except RangeError:
            # The ends of a range may round to either side of it.
            outside[what, letter] += 1
            continue
        count[what, letter] += 1
        if off > worst[what, letter][0]:
            worst[what, letter] = (off, at)
        if off > allowed:
            agrees = False
            print(f"type {letter}, {what} at {at}: {value}, off by {off}")
    if len(count) != 16 or min(count.values()) < 1000:
        sys.exit("too little to compare: run thermocouple_grid into this program")
    print("type   emf: values, worst         temperature: values, worst")
    for letter in "BEJKNRST":
        emf, temperature = worst["emf", letter], worst["temperature", letter]
        print(f"{letter:<7}{count['emf', letter]:>5}  {emf[0]:8.1e} µV at {emf[1]:7.1f} °C    "
              f"{count['temperature', letter]:>5}  {temperature[0]:8.1e} °C at {temperature[1]:9.1f} µV")
        if outside["emf", letter] + outside["temperature", letter] > 4:
            sys.exit(f"type {letter}: the package refuses more than the ends of the range")
    print("agrees" if agrees else "DOES NOT AGREE")
    sys.exit(0 if agrees else 1)


if __name__ == "__main__":
    main()
