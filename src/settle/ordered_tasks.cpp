#include "settle/ordered_tasks.hpp"

#include <algorithm>
#include <condition_variable>
#include <exception>
#include <mutex>

#include "base/parallel.hpp"

namespace broadloom {

namespace {

enum class State : uint8_t { waiting, running, done };

struct Board {
    explicit Board(const std::vector<std::vector<uint32_t>>& c)
        : conflicts(c), state(c.size(), State::waiting) {}

    [[nodiscard]] bool may_begin(size_t task) const {
        return std::all_of(conflicts[task].begin(), conflicts[task].end(), [&](uint32_t other) {
            return other >= task || state[other] == State::done;
        });
    }
    /// The lowest task that may begin; conflicts.size(): none.
    [[nodiscard]] size_t find() {
        while (first < state.size() && state[first] != State::waiting) ++first;
        for (size_t i = first; i < state.size(); ++i) {
            if (state[i] == State::waiting && may_begin(i)) return i;
        }
        return state.size();
    }

    const std::vector<std::vector<uint32_t>>& conflicts;
    std::vector<State> state;
    size_t first = 0;
    std::exception_ptr error;
    size_t error_of = 0;
    std::mutex mutex;
    std::condition_variable changed;
};

}  // namespace

void run_in_order(const std::vector<std::vector<uint32_t>>& conflicts, int threads,
                  const std::function<void(size_t, int)>& body) {
    const size_t count = conflicts.size();
    if (count == 0) return;
    Board board(conflicts);
    const auto workers = std::clamp(threads, 1, static_cast<int>(std::min<size_t>(count, 4096)));
    run_workers(workers, [&](int worker) {
        std::unique_lock lock(board.mutex);
        for (;;) {
            size_t task = board.find();
            while (task == count && board.first < count && !board.error) {
                board.changed.wait(lock);
                task = board.find();
            }
            if (task == count || board.error) return;
            board.state[task] = State::running;
            lock.unlock();
            std::exception_ptr error;
            try {
                body(task, worker);
            } catch (...) {
                error = std::current_exception();
            }
            lock.lock();
            board.state[task] = State::done;
            if (error && (!board.error || task < board.error_of)) {
                board.error = error;
                board.error_of = task;
            }
            board.changed.notify_all();
        }
    });
    if (board.error) std::rethrow_exception(board.error);
}

}  // namespace broadloom
