"""Reads what `dryfire export` writes with programs that others wrote.

    python exports.py JUNIT VCD CSV SCENARIOS FAILURES ERRORS SKIPPED
    python exports.py JUNIT...                  only against the schema
    python exports.py --again VCD OTHER         two dumps say the same

junitparser reads the JUnit file and has to count what is told on the command line;
the file is held against the strict schema in `junit.xsd` by xmlschema and by lxml;
vcdvcd reads the
VCD file and has to find every change of every switch and level that the CSV table
of the same run has, at the same microsecond.
"""

import csv
import os
import re
import sys
from decimal import Decimal

import xmlschema
from junitparser import JUnitXml
from lxml import etree
from vcdvcd import VCDVCD


SCHEMA = os.path.join(os.path.dirname(os.path.abspath(__file__)), "junit.xsd")

# Each has to be refused, or the schema shows nothing: what is replaced, and by what.
SPOILT = [
    ("timestamp=\"[^\"]*\"", "timestamp=\"2026-11-25T09:30:00Z\""),
    ("timestamp=\"[^\"]*\"", "timestamp=\"2026-11-25T09:30:00.5\""),
    ("<testsuites>", "<testsuites tests=\"3\">"),
    ("(?s)<properties>.*</properties>", ""),
    ("(?s)<system-out>.*</system-out>", ""),
    ("<testcase name", "<testcase assertions=\"1\" name"),
    ("(<failure) type=\"[^\"]*\"", "\\1"),
    ("(<testcase [^>]*) time=\"[^\"]*\"", "\\1"),
    ("(<testcase [^>]*) time=\"[^\"]*\"", "\\1 time=\"1e-3\""),
    ("(<failure )", "<skipped/>\\1"),
]


def strict(path):
    """Holds a file against the strict schema, with two libraries that have to agree."""
    ours = xmlschema.XMLSchema(SCHEMA)
    theirs = etree.XMLSchema(etree.parse(SCHEMA))
    with open(path, encoding="utf-8") as file:
        text = file.read()

    def valid(text):
        verdicts = (ours.is_valid(text), theirs.validate(etree.fromstring(text.encode())))
        assert verdicts[0] == verdicts[1], (verdicts, theirs.error_log)
        return verdicts[0]

    assert valid(text), (list(ours.iter_errors(text)), theirs.error_log)
    for was, instead in SPOILT:
        spoilt, times = re.subn(was, instead, text, count=1)
        if times:
            assert not valid(spoilt), (was, instead)


def junit(path, scenarios, failures, errors, skipped):
    strict(path)
    read = JUnitXml.fromfile(path)
    suites = list(read)
    assert len(suites) == 1
    suite = suites[0]
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (scenarios, failures, errors, skipped), (
        suite.tests, suite.failures, suite.errors, suite.skipped)
    results = [result for case in suite for result in case.result]
    kinds = [type(result).__name__ for result in results]
    assert (kinds.count("Failure"), kinds.count("Error"), kinds.count("Skipped")) == (failures, errors, skipped), kinds
    assert len({case.name for case in suite}) == scenarios


def vcd(path, table):
    dump = VCDVCD(path)
    assert dump.timescale["timescale"] == Decimal("1e-6"), dump.timescale
    with open(table, newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    head = rows[0]
    assert head[0] == "time (s)" and head[-1] == "happened"
    compared = 0
    for column in range(1, len(head) - 1):
        name, unit = re.fullmatch(r"(.*) \((.*)\)", head[column]).groups()
        switch = unit == "1 on, 0 off"
        expected = []
        for row in rows[1:]:
            if row[column] == "":
                continue
            at = int(Decimal(row[0]) * 1_000_000)
            value = row[column] if switch else float(row[column])
            if expected and expected[-1][0] == at:
                expected[-1] = (at, value)
            elif not expected or expected[-1][1] != value:
                expected.append((at, value))
        reference = [one for one in dump.references_to_ids if one.split(".", 1)[1].split("[")[0] == name]
        assert len(reference) == 1, (name, list(dump.references_to_ids))
        changes = {}
        for at, value in dump[reference[0]].tv:
            changes[at] = value if switch else float(value)
        seen = []
        for at in sorted(changes):
            if not seen or seen[-1][1] != changes[at]:
                seen.append((at, changes[at]))
        assert seen == expected, (name, [pair for pair in zip(seen, expected) if pair[0] != pair[1]][:3])
        compared += len(seen)
    return compared


def again(path, other):
    """Two dumps hold the same changes of the same signals: what another program read is what was written."""

    def changes(path):
        dump = VCDVCD(path)
        unit = Decimal(dump.timescale["timescale"])
        found = {}
        for reference in dump.references_to_ids:
            # A width of one bit and the name of the scope are written differently.
            name = re.sub(r"\[[0-9:]*\]$", "", reference.split(".", 1)[1])
            steps = []
            for at, value in dump[reference].tv:
                value = value.lower() if re.fullmatch("[01xzXZ]+", value) else repr(float(value))
                at = int(at * unit * 1_000_000)
                if steps and steps[-1][0] == at:
                    steps.pop()
                if not steps or steps[-1][1] != value:
                    steps.append((at, value))
            found[name] = steps
        return found

    ours, theirs = changes(path), changes(other)
    assert ours.keys() == theirs.keys(), (ours.keys(), theirs.keys())
    for name in ours:
        assert ours[name] == theirs[name], (name, [it for it in zip(ours[name], theirs[name]) if it[0] != it[1]][:3])
    return sum(map(len, ours.values()))


def main():
    if sys.argv[1] == "--again":
        print("compared", again(*sys.argv[2:4]))
    elif all(name.endswith(".xml") for name in sys.argv[1:]):
        for name in sys.argv[1:]:
            strict(name)
        print("compared", len(sys.argv) - 1)
    else:
        junit_file, vcd_file, csv_file = sys.argv[1:4]
        junit(junit_file, *map(int, sys.argv[4:8]))
        print("compared", vcd(vcd_file, csv_file))


main()
