/// The only place where threads are started.
#pragma once

#include <functional>

namespace broadloom {

/// Processors that this process may use, at least 1.
int processor_count();

/// Runs body(0) ... body(count - 1) at the same time, each on a thread of its own, and returns when
/// all have ended. When bodies throw, the exception of the lowest index is thrown again.
void run_workers(int count, const std::function<void(int)>& body);

}  // namespace broadloom
