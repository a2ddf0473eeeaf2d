"""Reads what `dryfire export` writes with programs that others wrote.

    python exports.py JUNIT VCD CSV SCENARIOS FAILURES ERRORS SKIPPED

junitparser reads the JUnit file and has to count what is told on the command line;
the file is held against the rules of the strict Ant schema (JUnit.xsd of the
JUnit-Schema project, commit cfa434d4) as they were read there; vcdvcd reads the
VCD file and has to find every change of every switch and level that the CSV table
of the same run has, at the same microsecond.
"""

import csv
import re
import sys
import xml.etree.ElementTree as tree
from decimal import Decimal

from junitparser import JUnitXml
from vcdvcd import VCDVCD


def strict(path):
    root = tree.parse(path).getroot()
    assert root.tag == "testsuites" and not root.attrib, root.attrib
    for number, suite in enumerate(root):
        needed = {"id", "package", "name", "timestamp", "hostname", "tests", "failures", "errors", "time"}
        assert suite.tag == "testsuite" and needed <= set(suite.attrib) <= needed | {"skipped"}, suite.attrib
        assert suite.get("id") == str(number)
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", suite.get("timestamp")), suite.get("timestamp")
        tags = [child.tag for child in suite]
        cases = tags[1:-2]
        assert tags[0] == "properties" and tags[-2:] == ["system-out", "system-err"], tags
        assert set(cases) <= {"testcase"}, tags
        for one in suite[0]:
            assert one.tag == "property" and set(one.attrib) == {"name", "value"}, one.attrib
        for case in suite.findall("testcase"):
            assert set(case.attrib) == {"name", "classname", "time"}, case.attrib
            assert re.fullmatch(r"-?\d+(\.\d+)?", case.get("time")), case.get("time")
            assert len(case) <= 1
            for result in case:
                assert result.tag in ("skipped", "error", "failure"), result.tag
                assert result.tag == "skipped" or "type" in result.attrib
                assert len(result) == 0


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


def main():
    junit_file, vcd_file, csv_file = sys.argv[1:4]
    junit(junit_file, *map(int, sys.argv[4:8]))
    print("compared", vcd(vcd_file, csv_file))


main()
