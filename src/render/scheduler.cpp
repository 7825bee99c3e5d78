#include "render/scheduler.hpp"

#include <algorithm>
#include <chrono>

#include "base/parallel.hpp"
#include "base/stopwatch.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

/// What belongs to one thread.
struct Scheduler::Worker {
    Worker(const RenderJob& job, const TileLayout& layout, const Kernels& kernels,
           OrderedCommitter& committer, Parents& parents)
        : block(job.canvas, job.block, kernels), climber(job, layout, committer, parents) {}
    BlockRenderer block;
    Climber climber;
    StageTimes times;
};

Scheduler::Scheduler(const RenderJob& job, const Kernels& kernels, const SeamLabels& seams,
                     const TileLayout& layout, OrderedCommitter& committer, Parents& parents,
                     const RenderHooks& hooks)
    : job_(job),
      kernels_(kernels),
      seams_(seams),
      layout_(layout),
      committer_(committer),
      hooks_(hooks),
      index_(job.canvas, job.geometry),
      parents_(parents),
      cache_(job, job.frame_cache_bytes),
      leaves_(job.tree->leaves.size()) {}

bool Scheduler::stopping() const { return hooks_.stop != nullptr && hooks_.stop->load() != 0; }

bool Scheduler::run(const std::vector<int64_t>& complete) {
    start_ = monotonic_seconds();
    const int64_t first = committer_.next();
    for (size_t i = 0; i < leaves_.size(); ++i) {
        const int64_t node = job_.tree->leaves[i];
        const bool unwanted = !job_.wants(node);
        if (node >= first && !unwanted) continue;
        leaves_[i].state = LeafState::done;
        ++done_;
        if (unwanted) ++unwanted_;
    }
    done_before_ = done_;
    skip_done(first_open_);
    skip_done(next_plan_);
    skip_done(next_admit_);
    std::vector<std::unique_ptr<Worker>> workers;
    workers.reserve(static_cast<size_t>(job_.options.threads));
    for (int i = 0; i < job_.options.threads; ++i) {
        workers.push_back(std::make_unique<Worker>(job_, layout_, kernels_, committer_, parents_));
    }
    for (const int64_t parent : complete) workers[0]->climber.climb(parent);
    run_workers(job_.options.threads, [&](int i) { work(*workers[static_cast<size_t>(i)]); });
    for (const auto& w : workers) {
        const BlockTimes& b = w->block.times();
        times_.plan += w->times.plan;
        times_.decode += w->times.decode;
        times_.warp += b.warp;
        times_.blend += b.blend;
        const ClimbTimes& c = w->climber.times();
        times_.shrink += c.shrink;
        times_.encode += c.encode;
        times_.write += c.write;
        times_.wait += w->times.wait;
    }
    return done_ == static_cast<int64_t>(leaves_.size());
}

void Scheduler::skip_done(int64_t& leaf) const {
    while (leaf < static_cast<int64_t>(leaves_.size()) &&
           leaves_[static_cast<size_t>(leaf)].state == LeafState::done) {
        ++leaf;
    }
}

void Scheduler::work(Worker& worker) {
    std::unique_lock lock(mutex_);
    try {
        while (!failed_ && !stopping() && done_ < static_cast<int64_t>(leaves_.size())) {
            if (!step(worker, lock)) {
                const Stopwatch watch(worker.times.wait);
                changed_.wait_for(lock, std::chrono::milliseconds(100));
            }
        }
    } catch (...) {
        if (!lock.owns_lock()) lock.lock();
        failed_ = true;
        changed_.notify_all();
        throw;
    }
}

bool Scheduler::step(Worker& worker, std::unique_lock<std::mutex>& lock) {
    // A leaf whose frames are all there.
    for (int64_t i = first_open_; i < next_admit_; ++i) {
        Leaf& leaf = leaves_[static_cast<size_t>(i)];
        if (leaf.state != LeafState::admitted || !cache_.ready(leaf.frames)) continue;
        leaf.state = LeafState::rendering;
        lock.unlock();
        render(worker, leaf, i);
        lock.lock();
        cache_.unpin(leaf.frames);
        --pinning_;
        leaf = Leaf{};
        leaf.state = LeafState::done;
        ++done_;
        skip_done(first_open_);
        report_progress();
        changed_.notify_all();
        return true;
    }
    // A frame that an admitted leaf waits for.
    if (!to_decode_.empty()) {
        const int frame = to_decode_.front();
        to_decode_.pop_front();
        decode(worker, lock, frame);
        return true;
    }
    if (admit_next()) {
        changed_.notify_all();
        return true;
    }
    // Look ahead, but not so far that maps and unwritten results pile up.
    if (next_plan_ < static_cast<int64_t>(leaves_.size()) &&
        next_plan_ < first_open_ + look_ahead_leaves(job_.options.threads)) {
        const int64_t i = next_plan_++;
        skip_done(next_plan_);
        Leaf& leaf = leaves_[static_cast<size_t>(i)];
        leaf.state = LeafState::planning;
        lock.unlock();
        {
            const Stopwatch watch(worker.times.plan);
            plan(leaf, i);
        }
        lock.lock();
        leaf.state = LeafState::planned;
        changed_.notify_all();
        return true;
    }
    // Nothing to render yet: decode what will be needed next rather than wait.
    const int ahead = cache_.prefetch(next_admit_);
    if (ahead >= 0) {
        decode(worker, lock, ahead);
        return true;
    }
    return false;
}

void Scheduler::decode(Worker& worker, std::unique_lock<std::mutex>& lock, int frame) {
    lock.unlock();
    {
        const Stopwatch watch(worker.times.decode);
        cache_.decode(frame);
    }
    lock.lock();
    cache_.decoded(frame);
    changed_.notify_all();
}

bool Scheduler::admit_next() {
    if (next_admit_ >= static_cast<int64_t>(leaves_.size())) return false;
    Leaf& leaf = leaves_[static_cast<size_t>(next_admit_)];
    if (leaf.state != LeafState::planned) return false;
    std::vector<int> missing;
    if (!cache_.admit(next_admit_, leaf.frames, missing)) {
        if (pinning_ > 0) return false;  // room comes when a running leaf ends
        const int64_t more = static_cast<int64_t>(cache_.bytes_of(leaf.frames)) -
                             static_cast<int64_t>(cache_.capacity());
        const int64_t mib = ceil_div(job_.plan.memory_budget_bytes + more, 1 << 20) + 1;
        throw Error(ErrorCode::usage,
                    "--memory " + format_bytes(job_.plan.memory_budget_bytes) +
                        " is too little where " + std::to_string(leaf.frames.size()) +
                        " frames meet; give at least --memory " + std::to_string(mib) + "M");
    }
    for (const int f : missing) to_decode_.push_back(f);
    leaf.state = LeafState::admitted;
    ++pinning_;
    ++next_admit_;
    skip_done(next_admit_);
    return true;
}

void Scheduler::plan(Leaf& leaf, int64_t index) {
    const auto node = static_cast<size_t>(job_.tree->leaves[static_cast<size_t>(index)]);
    const Rect rect = job_.area_of(job_.tree->nodes[node]);
    const Rect area = block_surroundings(job_.canvas, rect, job_.block.bands);
    leaf.maps =
        std::make_unique<RegionMaps>(job_.canvas, cells_of(area), job_.geometry,
                                     index_.touching(aligned_outwards(area, kCell)), &kernels_);
    leaf.labels = seams_.label(*leaf.maps, kernels_);
    for (const int k : leaf.labels->owners(area)) {
        leaf.frames.push_back(leaf.maps->frames()[static_cast<size_t>(k)]);
    }
}

void Scheduler::render(Worker& worker, Leaf& leaf, int64_t index) {
    const QuadNode& node =
        job_.tree->nodes[static_cast<size_t>(job_.tree->leaves[static_cast<size_t>(index)])];
    const Rect rect = job_.tree->picture_rect(node);
    std::vector<const FrameSampler*> samplers(leaf.maps->frames().size(), nullptr);
    for (size_t k = 0; k < samplers.size(); ++k) {
        const int frame = leaf.maps->frames()[k];
        if (std::binary_search(leaf.frames.begin(), leaf.frames.end(), frame)) {
            samplers[k] = cache_.sampler(frame);
        }
    }
    const Rect on_canvas = job_.area_of(node);
    uint8_t* pixels = worker.climber.leaf_pixels(rect.width(), rect.height());
    if (job_.deep) {
        worker.block.render_deep(on_canvas, *leaf.maps, *leaf.labels, samplers,
                                 reinterpret_cast<uint16_t*>(pixels), rect.width() * 4);
    } else {
        worker.block.render(on_canvas, *leaf.maps, *leaf.labels, samplers, pixels,
                            rect.width() * 4);
    }
    leaf.maps.reset();
    leaf.labels.reset();
    worker.climber.finish_leaf(index);
}

void Scheduler::report_progress() {
    if (!hooks_.progress) return;
    const double time = monotonic_seconds();
    const auto total = static_cast<double>(static_cast<int64_t>(leaves_.size()) - unwanted_);
    const auto done = static_cast<double>(done_ - unwanted_);
    if (time - last_progress_ < 0.2 && done_ < static_cast<int64_t>(leaves_.size())) return;
    last_progress_ = time;
    WorkProgress p;
    p.stage = "rendering";
    p.fraction = done / total;
    p.seconds = time - start_;
    // The first moments decode many frames and say little about the rest.
    const double here = static_cast<double>(done_ - done_before_) / total;
    if (p.seconds > 2 && here > 0.01) p.seconds_left = p.seconds * (1 - p.fraction) / here;
    hooks_.progress(p);
}

}  // namespace broadloom
