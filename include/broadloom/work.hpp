/// How a caller watches and stops a long piece of work.
#pragma once

#include <atomic>
#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>

namespace broadloom {

struct WorkProgress {
    std::string stage;    ///< what is being done, like "reading frames"
    double fraction = 0;  ///< of this stage, 0..1
    double seconds = 0;   ///< since this stage began
    std::optional<double> seconds_left;
};

/// Called from worker threads, one at a time.
struct WorkHooks {
    std::function<void(const WorkProgress&)> progress;
    std::function<void(const std::string&)> note;
    /// 0: go on; otherwise the signal number that asks for a stop.
    const std::atomic<int>* stop = nullptr;
};

}  // namespace broadloom
