/// The only place where threads are started.
#pragma once

#include <cstddef>
#include <functional>

namespace broadloom {

/// Processors that this process may use, at least 1.
int processor_count();

/// Runs body(0) ... body(count - 1) at the same time, each on a thread of its own, and returns when
/// all have ended. When bodies throw, the exception of the lowest index is thrown again.
void run_workers(int count, const std::function<void(int)>& body);

/// Calls body(index, worker) once for each index below `count`, from `threads` workers (0 ..
/// threads
/// - 1), indices handed out in order. After an exception no further index is handed out; the
/// exception of the lowest index is thrown again.
void for_each_index(size_t count, int threads, const std::function<void(size_t, int)>& body);

}  // namespace broadloom
