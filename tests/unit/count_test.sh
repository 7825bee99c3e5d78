#!/bin/sh
# count_test.sh COUNT_TESTS.AWK: the count of a test run, for each way a test can end.
set -eu
report='<?xml version="1.0" encoding="UTF-8"?>
<testsuite name="x" tests="6" failures="1" disabled="1" skipped="2">
<testcase name="a" classname="a" time="0.1" status="run"><system-out>status="fail"</system-out></testcase>
<testcase name="b" classname="b" time="0.1" status="run">
</testcase>
<testcase name="c" classname="c" time="0.1" status="fail">
<failure message="Failed"/>
</testcase>
<testcase name="d" classname="d" time="0.1" status="notrun">
<skipped message="SKIP_RETURN_CODE=77"/>
</testcase>
<testcase name="e" classname="e" time="0.1" status="notrun">
<skipped message="Unable to find executable"/>
</testcase>
<testcase name="f" classname="f" time="0.1" status="disabled">
</testcase>
</testsuite>'
count=$(printf '%s\n' "$report" | awk -f "$1")
# a and b passed; c failed and e never started; d skipped itself and f is disabled.
[ "$count" = "2 passed, 2 failed, 2 skipped" ] || { echo "counted: $count"; exit 1; }
count=$(awk -f "$1" </dev/null)
[ "$count" = "0 passed, 0 failed, 0 skipped" ] || { echo "counted in nothing: $count"; exit 1; }
