/// Runs a program as a child: output captured, memory and time measured by the kernel.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace broadloom::test {

struct ProcessOptions {
    std::filesystem::path folder;             ///< working folder; empty: this process's
    std::optional<uint64_t> most_file_bytes;  ///< limit on the size of any file it writes
    bool as_nobody = false;                   ///< give up root's rights first; needs root
    bool show_errors = false;                 ///< its standard error is this process's
    double timeout_seconds = 600;             ///< then it is killed, and run_process throws
    /// Asked every few milliseconds with the seconds since the start; a signal number to send, or
    /// 0.
    std::function<int(double)> signal;
};

struct ProcessResult {
    int status = -1;       ///< exit status; 128 + signal when a signal ended it, like shells say
    bool killed = false;   ///< a signal ended it
    std::string out, err;  ///< what it wrote
    /// Largest resident memory, bytes (wait4). It covers the moment before the program was loaded
    /// too, so it is at least this process's own: keep that small.
    int64_t peak_bytes = 0;
    double seconds = 0;                          ///< wall time
    double cpu_seconds = 0;                      ///< user and system time of all its threads
    std::optional<double> seconds_after_signal;  ///< from the first signal to its end
};

/// Runs `command` (the program first) to its end. Throws std::runtime_error when it cannot be
/// started or does not end in time.
ProcessResult run_process(const std::vector<std::string>& command,
                          const ProcessOptions& options = {});

/// The last line of a text, without its newline.
std::string last_line(const std::string& text);

}  // namespace broadloom::test
