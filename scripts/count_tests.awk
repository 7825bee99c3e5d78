# Counts the tests of a JUnit file as CTest writes it: "N passed, M failed, K skipped".
# CTest marks both a skipped test and one that it could not start as not run; only a test that
# skipped itself (by its exit status or a line that it printed) or is disabled counts as skipped.
/<testcase / {
    close_case()
    open = 1
    state = $0
    sub(/.* status="/, "", state)
    sub(/".*/, "", state)
}
/<skipped message="SKIP_/ { by_itself = 1 }
END {
    close_case()
    printf "%d passed, %d failed, %d skipped\n", passed, failed, skipped
}
function close_case() {
    if (!open) return
    if (state == "run") passed++
    else if (state == "disabled" || (state == "notrun" && by_itself)) skipped++
    else failed++
    open = by_itself = 0
}
