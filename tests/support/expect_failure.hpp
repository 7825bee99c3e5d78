/// What every failure of the program has in common.
#pragma once

#include <catch2/catch.hpp>
#include <cctype>
#include <string>
#include <vector>

#include "support/process.hpp"

namespace broadloom::test {

/// The exit status; silence on standard output; a last line of standard error that begins
/// "broadloom: " and says all of `words`, on one printable line.
inline void expect_failure(const ProcessResult& r, int status,
                           const std::vector<std::string>& words) {
    INFO("standard error: " << r.err);
    CHECK_FALSE(r.killed);
    CHECK(r.status == status);
    CHECK(r.out.empty());
    const std::string last = last_line(r.err);
    CHECK(last.rfind("broadloom: ", 0) == 0);
    for (const std::string& w : words) {
        INFO("looked for: " << w);
        CHECK(last.find(w) != std::string::npos);
    }
    // The problem alone is no help: a clause after it says what to do.
    std::string clauses = last;
    for (char& c : clauses) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
    bool advised = clauses.find("must be ") != std::string::npos;  // says what would be right
    for (const char* verb :
         {"add ",    "change ",       "check ",  "choose ",   "convert ", "copy ",  "correct ",
          "delete ", "did you mean ", "free ",   "give ",     "leave ",   "lower ", "make ",
          "name ",   "raise ",        "render ", "then run ", "run ",     "set ",   "swap ",
          "try",     "use ",          "wait ",   "widen ",    "write "}) {
        for (const char* before : {"; ", ": ", "? ", ", ", ". "}) {
            advised = advised || clauses.find(before + std::string(verb)) != std::string::npos;
        }
    }
    CHECK(advised);
    for (const char c : r.err) {
        const bool printable = c == '\n' || static_cast<unsigned char>(c) >= 0x20;
        CHECK(printable);
    }
}

}  // namespace broadloom::test
