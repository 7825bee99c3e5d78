/// The workers: leaves are planned, admitted in order when their frames fit into the budget,
/// rendered in any order, and committed in order.
#pragma once

#include <condition_variable>
#include <cstdint>
#include <deque>
#include <memory>
#include <mutex>
#include <optional>
#include <vector>

#include "blend/seam_labels.hpp"
#include "render/climber.hpp"
#include "render/frame_cache.hpp"
#include "render/job.hpp"
#include "render/parents.hpp"
#include "render/tile_sink.hpp"

namespace broadloom {

/// Seconds summed over the workers.
struct StageTimes {
    double plan = 0, decode = 0, warp = 0, blend = 0, shrink = 0, encode = 0, write = 0, wait = 0;
};

class Scheduler {
  public:
    Scheduler(const RenderJob& job, const Kernels& kernels, const SeamLabels& seams,
              const TileLayout& layout, OrderedCommitter& committer, Parents& parents,
              const RenderHooks& hooks);

    /// Renders what the committer has not written yet; `complete` are restored parents that wait
    /// for nothing. Throws the first error. False when it was stopped before the end.
    bool run(const std::vector<int64_t>& complete);

    [[nodiscard]] const FrameCache& cache() const { return cache_; }
    [[nodiscard]] const StageTimes& times() const { return times_; }

  private:
    enum class LeafState { idle, planning, planned, admitted, rendering, done };
    struct Leaf {
        LeafState state = LeafState::idle;
        std::unique_ptr<RegionMaps> maps;
        std::optional<LabelRegion> labels;
        std::vector<int> frames;  ///< needed, scene indices
    };
    struct Worker;

    void work(Worker& worker);
    /// One piece of work; the lock is held on entry and exit. False when there is none now.
    bool step(Worker& worker, std::unique_lock<std::mutex>& lock);
    void decode(Worker& worker, std::unique_lock<std::mutex>& lock, int frame);
    bool admit_next();
    void plan(Leaf& leaf, int64_t index);
    void render(Worker& worker, Leaf& leaf, int64_t index);
    /// Moves `leaf` on to the next one that is not done.
    void skip_done(int64_t& leaf) const;
    void report_progress();
    [[nodiscard]] bool stopping() const;

    const RenderJob& job_;
    const Kernels& kernels_;
    const SeamLabels& seams_;
    const TileLayout& layout_;
    OrderedCommitter& committer_;
    const RenderHooks& hooks_;
    FrameIndex index_;
    Parents& parents_;
    FrameCache cache_;

    std::mutex mutex_;
    std::condition_variable changed_;
    std::vector<Leaf> leaves_;
    std::deque<int> to_decode_;
    int64_t next_plan_ = 0, next_admit_ = 0, done_ = 0, pinning_ = 0;
    int64_t first_open_ = 0;  ///< leaves before it are done
    bool failed_ = false;
    int64_t done_before_ = 0;
    int64_t unwanted_ = 0;  ///< counted as done
    double start_ = 0, last_progress_ = 0;
    StageTimes times_;
};

}  // namespace broadloom
