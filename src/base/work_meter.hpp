/// Counts finished pieces of a stage, tells how far it is, and stops it when asked to.
#pragma once

#include <cstddef>
#include <mutex>
#include <string>

#include "broadloom/work.hpp"

namespace broadloom {

class WorkMeter {
  public:
    WorkMeter(std::string stage, size_t total, const WorkHooks& hooks);

    /// Another `pieces` are done. Callable from any thread. Throws as check_stop().
    void advance(size_t pieces = 1);

    /// Throws Error{interrupted} or Error{terminated} when a stop was asked for.
    void check_stop() const;

  private:
    std::string stage_;
    size_t total_, done_ = 0;
    const WorkHooks& hooks_;
    double start_;
    std::mutex mutex_;
};

/// As WorkMeter::check_stop(), for loops without a meter.
void throw_if_stopped(const WorkHooks& hooks);

}  // namespace broadloom
