#!/usr/bin/python3
"""Count the tests in a result file of meson (testlog.json) or pytest (JUnit XML).

usage: count_tests.py FILE      prints "PASSED FAILED SKIPPED"

A unit test program of cmocka counts by its cases, anything else as one.
"""
import json
import re
import sys
import xml.etree.ElementTree


def count_program(entry: dict) -> tuple[int, int, int]:
    """Cases of one program that meson ran."""
    text = (entry.get("stdout") or "") + (entry.get("stderr") or "")
    # the lines of the cases themselves; the summary at the end repeats the failed ones
    passed = len(re.findall(r"^\[ +OK +\]", text, re.M))
    failed = len(set(re.findall(r"^\[ +(?:FAILED|ERROR) +\] (test_\w+)", text, re.M)))
    skipped = len(set(re.findall(r"^\[ +SKIPPED +\] (test_\w+)", text, re.M)))
    result = entry["result"]
    if result == "SKIP":
        return 0, 0, 1
    if result not in ("OK", "EXPECTEDFAIL"):
        return passed, max(failed, 1), skipped
    return (passed, failed, skipped) if passed else (1, 0, 0)


def count_meson(path: str) -> list[int]:
    totals = [0, 0, 0]
    with open(path, encoding="utf-8") as lines:
        for line in lines:
            for i, n in enumerate(count_program(json.loads(line))):
                totals[i] += n
    return totals


def count_junit(path: str) -> list[int]:
    totals = [0, 0, 0]
    for suite in xml.etree.ElementTree.parse(path).getroot().iter("testsuite"):
        n, failures, errors, skipped = (
            int(suite.get(key, "0")) for key in ("tests", "failures", "errors", "skipped"))
        totals[0] += n - failures - errors - skipped
        totals[1] += failures + errors
        totals[2] += skipped
    return totals


if __name__ == "__main__":
    print(*(count_junit if sys.argv[1].endswith(".xml") else count_meson)(sys.argv[1]))
