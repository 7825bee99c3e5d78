/// Tasks that share data with their neighbours, run at the same time with the outcome of running
/// them one after the other.
#pragma once

#include <cstddef>
#include <cstdint>
#include <functional>
#include <vector>

namespace broadloom {

/// Calls body(i, worker) for each i below conflicts.size(), from `threads` workers. conflicts[i]
/// names the tasks that must not run beside task i (each names the other); of two such the lower
/// index is finished before the higher begins. After an exception no task is begun; the exception
/// of the lowest index is thrown again.
void run_in_order(const std::vector<std::vector<uint32_t>>& conflicts, int threads,
                  const std::function<void(size_t, int)>& body);

}  // namespace broadloom
