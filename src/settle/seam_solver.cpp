#include "settle/seam_solver.hpp"

#include <algorithm>
#include <atomic>
#include <string>
#include <utility>

#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "settle/moved_things.hpp"
#include "settle/ordered_tasks.hpp"
#include "settle/seam_levels.hpp"

namespace broadloom {

namespace {

/// Rounds of moves after which the labelling stays as it is; it usually settles earlier.
constexpr int kReducedRounds = 6;
constexpr int kBandRounds = 2;
constexpr int kWideRounds = 2;
/// Times that seams are found again because they show something twice.
constexpr int kDoubleRounds = 6;
/// What a step across a seam costs, in pixels of seam, where it crosses something: what differs by
/// about five times the noise, and by ten times.
constexpr int32_t kCrosses = 16;
constexpr int32_t kCrossesMuch = 400;
/// Frames of one window, neighbours in shooting order, are worked on at the same time; the next
/// window's are needed only after them, so that few are held.
constexpr size_t kWindow = 16;

/// The order in which frames move, and which of them must not move at the same time.
struct MoveOrder {
    std::vector<int> frame;
    std::vector<std::vector<uint32_t>> conflicts;  // by place in the order
};

bool touch(const Rect& a, const Rect& b, const CanvasSpan& span) {
    if (a.empty() || b.empty()) return false;
    const Rect near = a.grown(1);
    for (const int64_t turn : {int64_t{-1}, int64_t{0}, int64_t{1}}) {
        if (turn != 0 && !span.wraps) continue;
        if (!intersect(near, b.moved(turn * span.width, 0)).empty()) return true;
    }
    return false;
}

MoveOrder order_moves(const CoarseFrames& frames, const CanvasSpan& span) {
    // A move looks one pixel beyond its frame, a pixel of the reduced canvas at most.
    std::vector<Rect> rects;
    for (size_t k = 0; k < frames.count(); ++k) {
        const Rect r = rect_on_canvas(frames.rect(k), span);
        rects.push_back(r.empty() ? r : r.grown(8));
    }
    MoveOrder order;
    for (size_t begin = 0; begin < rects.size(); begin += kWindow) {
        const size_t end = std::min(rects.size(), begin + kWindow);
        // Frames that do not touch get the same colour; one colour after the other.
        std::vector<int> colour(end - begin, 0);
        for (size_t k = begin; k < end; ++k) {
            for (size_t l = begin; l < k; ++l) {
                if (colour[l - begin] == colour[k - begin] && touch(rects[k], rects[l], span)) {
                    ++colour[k - begin];
                    l = begin - 1;  // from the start, with this colour
                }
            }
        }
        std::vector<int> window;
        for (size_t k = begin; k < end; ++k) window.push_back(static_cast<int>(k));
        std::stable_sort(window.begin(), window.end(), [&](int a, int b) {
            return colour[static_cast<size_t>(a) - begin] < colour[static_cast<size_t>(b) - begin];
        });
        order.frame.insert(order.frame.end(), window.begin(), window.end());
    }
    order.conflicts.resize(order.frame.size());
    for (size_t i = 0; i < order.frame.size(); ++i) {
        for (size_t j = 0; j < i; ++j) {
            if (!touch(rects[static_cast<size_t>(order.frame[i])],
                       rects[static_cast<size_t>(order.frame[j])], span)) {
                continue;
            }
            order.conflicts[i].push_back(static_cast<uint32_t>(j));
            order.conflicts[j].push_back(static_cast<uint32_t>(i));
        }
    }
    return order;
}

class Rounds {
  public:
    Rounds(const MoveOrder& order, int threads, const WorkHooks& hooks)
        : order_(order),
          threads_(threads),
          hooks_(hooks),
          movers_(static_cast<size_t>(std::max(1, threads))) {}

    /// Lets all frames move, until none gains or `most` times.
    void run(SeamLevel& level, const MoveReach& reach, int most, const std::string& stage) {
        // A frame moves again only after something near it has changed.
        std::vector<uint8_t> due(order_.frame.size(), 1);
        WorkMeter meter(stage, order_.frame.size() * static_cast<size_t>(most), hooks_);
        for (int round = 0; round < most; ++round) {
            if (std::none_of(due.begin(), due.end(), [](uint8_t d) { return d != 0; })) break;
            run_in_order(order_.conflicts, threads_, [&](size_t i, int worker) {
                meter.advance();
                if (due[i] == 0) return;
                due[i] = 0;
                if (movers_[static_cast<size_t>(worker)].expand(level, order_.frame[i], reach) ==
                    0) {
                    return;
                }
                // Two frames apart may both tell a third between them.
                for (const uint32_t other : order_.conflicts[i]) {
                    std::atomic_ref<uint8_t>(due[other]).store(1, std::memory_order_relaxed);
                }
            });
        }
    }

  private:
    const MoveOrder& order_;
    int threads_;
    const WorkHooks& hooks_;
    std::vector<SeamMove> movers_;
};

}  // namespace

LabelGrid solve_seams(const CoarseCanvas& canvas, const CoarseFrames& frames,
                      const SeamOptions& options, int threads, const WorkHooks& hooks) {
    LabelGrid grid(canvas.canvas);
    if (frames.count() > kMaxLabelledFrames) {
        throw Error(ErrorCode::input, "the scene uses " + std::to_string(frames.count()) +
                                          " frames; seams are found for up to " +
                                          std::to_string(kMaxLabelledFrames) +
                                          "; leave frames out or use the simple seams");
    }
    const CanvasSpan span{grid.width, grid.height, grid.wraps};
    ReducedScene scene(span, frames, options, threads, hooks);
    const MoveOrder order = order_moves(frames, span);
    Rounds rounds(order, threads, hooks);

    std::vector<int16_t> reduced;
    std::vector<uint8_t> fixed;
    scene.first_labels(reduced, fixed);
    ReducedLevel reduced_level(scene, reduced, fixed);
    rounds.run(reduced_level, {}, kReducedRounds, "finding seams");
    bool any_avoided = false;
    if (options.once) {
        MovedThings moved(scene, frames);
        for (int i = 0; i < kDoubleRounds && moved.avoid_doubles(reduced, threads, hooks); ++i) {
            any_avoided = true;
            rounds.run(reduced_level, {}, kReducedRounds, "finding seams");
        }
    }

    CoarseLevel level(scene, frames, grid.frame);
    run_in_order(order.conflicts, threads, [&](size_t i, int) {
        throw_if_stopped(hooks);
        level.take_over(order.frame[i], reduced);
    });
    rounds.run(level, {MoveReach::From::own, options.band}, kBandRounds, "refining seams");
    if (any_avoided) {
        // What lies near a frame's border can be avoided only where its very pixels count.
        rounds.run(level, {MoveReach::From::avoided, 2 * options.band}, kBandRounds,
                   "mending seams");
        run_in_order(order.conflicts, threads, [&](size_t i, int) {
            throw_if_stopped(hooks);
            level.give_away(order.frame[i]);
        });
    }
    for (const auto& [distance, costly] :
         {std::pair{options.wide_band, kCrosses}, std::pair{4 * options.wide_band, kCrossesMuch}}) {
        rounds.run(level, {MoveReach::From::costly, distance, costly}, kWideRounds,
                   "mending seams");
    }
    return grid;
}

}  // namespace broadloom
