#include "base/parallel.hpp"

#include <sched.h>

#include <algorithm>
#include <atomic>
#include <exception>
#include <vector>
#if defined(BROADLOOM_OPENMP)
#include <omp.h>
#else
#include <thread>
#endif

namespace broadloom {

int processor_count() {
    cpu_set_t set;
    CPU_ZERO(&set);
    if (sched_getaffinity(0, sizeof set, &set) != 0) return 1;
    const int count = CPU_COUNT(&set);
    return count < 1 ? 1 : count;
}

void run_workers(int count, const std::function<void(int)>& body) {
    std::vector<std::exception_ptr> thrown(static_cast<size_t>(count));
    const auto guarded = [&](int i) {
        try {
            body(i);
        } catch (...) {
            thrown[static_cast<size_t>(i)] = std::current_exception();
        }
    };
#if defined(BROADLOOM_OPENMP)
    // Bodies wait for each other, so every one needs its own thread: no dynamic adjustment.
    omp_set_dynamic(0);
#pragma omp parallel for num_threads(count) schedule(static, 1)
    for (int i = 0; i < count; ++i) guarded(i);
#else
    // Threads that end sleep; libgomp's spin until the next loop, which other work pays for.
    std::vector<std::jthread> threads;
    for (int i = 1; i < count; ++i) threads.emplace_back(guarded, i);
    guarded(0);
    threads.clear();
#endif
    for (const auto& e : thrown) {
        if (e) std::rethrow_exception(e);
    }
}

void for_each_index(size_t count, int threads, const std::function<void(size_t, int)>& body) {
    std::atomic<size_t> next{0};
    std::atomic<bool> failed{false};
    std::vector<std::exception_ptr> thrown(count);
    const int workers = static_cast<int>(
        std::min(static_cast<size_t>(std::max(threads, 1)), std::max<size_t>(count, 1)));
    run_workers(workers, [&](int worker) {
        while (!failed) {
            const size_t i = next++;
            if (i >= count) break;
            try {
                body(i, worker);
            } catch (...) {
                thrown[i] = std::current_exception();
                failed = true;
            }
        }
    });
    for (const auto& e : thrown) {
        if (e) std::rethrow_exception(e);
    }
}

}  // namespace broadloom
