#include "base/work_meter.hpp"

#include <csignal>
#include <utility>

#include "base/stopwatch.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

void throw_if_stopped(const WorkHooks& hooks) {
    if (hooks.stop == nullptr) return;
    const int signal = *hooks.stop;
    if (signal == 0) return;
    throw Error(signal == SIGTERM ? ErrorCode::terminated : ErrorCode::interrupted,
                "stopped as asked; nothing that was there before has changed; give the same "
                "command to start again");
}

WorkMeter::WorkMeter(std::string stage, size_t total, const WorkHooks& hooks)
    : stage_(std::move(stage)), total_(total), hooks_(hooks), start_(monotonic_seconds()) {
    check_stop();
}

void WorkMeter::check_stop() const { throw_if_stopped(hooks_); }

void WorkMeter::advance(size_t pieces) {
    check_stop();
    const std::scoped_lock lock(mutex_);
    done_ += pieces;
    if (!hooks_.progress) return;
    WorkProgress p;
    p.stage = stage_;
    p.fraction = total_ == 0 ? 1 : static_cast<double>(done_) / static_cast<double>(total_);
    p.seconds = monotonic_seconds() - start_;
    if (p.fraction > 0.02) p.seconds_left = p.seconds / p.fraction * (1 - p.fraction);
    hooks_.progress(p);
}

}  // namespace broadloom
