/// The frames on a canvas of blocks of 4 x 4 coarse pixels, small enough to be held for hundreds of
/// frames. What differs by more than noise in a block counts by its most different pixel, so that
/// small things stay.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <vector>

#include "settle/coarse_frame.hpp"
#include "settle/moved_things.hpp"
#include "settle/seam_move.hpp"

namespace broadloom {

class ReducedScene {
  public:
    /// Two readings of each frame. Throws as solve_seams().
    ReducedScene(const CanvasSpan& canvas, const CoarseFrames& source, const SeamOptions& options,
                 int threads, const WorkHooks& hooks);

    struct Frame {
        Rect rect;                    ///< blocks; x0 in [0, width)
        std::vector<uint8_t> covers;  ///< 1: it may have the block
        std::vector<uint8_t> kept;    ///< 1: some of it is to be kept; empty: nothing
        /// What a pixel of the block costs, in kSeamUnit.
        std::vector<uint8_t> preference;
        std::vector<uint8_t> detail;  // while the scene is made
    };
    struct Pair {
        int first = 0, second = 0;
        PairTone tone;
        Rect common;                 ///< blocks, x0 in [0, width)
        std::vector<uint16_t> cost;  ///< difference_cost() of each block
        std::vector<MovedPlace> sightings;
    };

    [[nodiscard]] size_t count() const { return frames_.size(); }
    [[nodiscard]] const CanvasSpan& span() const { return span_; }
    [[nodiscard]] const CanvasSpan& canvas() const { return canvas_; }
    /// Coarse pixels on a block's side.
    [[nodiscard]] int64_t side() const { return side_; }
    [[nodiscard]] const Frame& frame(int k) const { return frames_[static_cast<size_t>(k)]; }
    /// nullptr: they have no pixel in common.
    [[nodiscard]] const Pair* pair(int k, int l) const;
    /// The frames that have pixels in common with one.
    [[nodiscard]] const std::vector<int>& neighbours(int k) const {
        return neighbours_[static_cast<size_t>(k)];
    }
    /// The block of a coarse pixel.
    [[nodiscard]] size_t block_at(int64_t x, int64_t y) const {
        return static_cast<size_t>(y / side_ * span_.width + x / side_);
    }
    [[nodiscard]] bool any_kept() const { return any_kept_; }
    /// What it costs to take a coarse pixel from a frame.
    [[nodiscard]] int32_t preference(int k, int64_t x, int64_t y) const;

    /// What one frame shows and another does not, by pair; they are not held any longer.
    [[nodiscard]] std::vector<MovedPlace> take_sightings();
    /// Makes it as costly as can be to take the block of a coarse pixel from the frame.
    void avoid(int k, int64_t x, int64_t y);

    /// For each block the frame that is preferred there; those that are kept first.
    void first_labels(std::vector<int16_t>& labels, std::vector<uint8_t>& fixed) const;

  private:
    void reduce(int k, const CoarseFrames& source, std::vector<uint16_t>& pixels);
    void prefer(int k, const SeamOptions& options, const std::vector<uint8_t>& sharpest);
    void list_pairs();
    void measure(Pair& pair, const CoarseFrames& source, const SeamOptions& options);
    [[nodiscard]] size_t block(const Frame& f, int64_t i, int64_t j) const;

    CanvasSpan canvas_, span_;
    int64_t side_;
    std::vector<Frame> frames_;
    std::vector<Pair> pairs_;       // by first, then second
    std::vector<size_t> pairs_of_;  // where each frame's begin
    std::vector<std::vector<int>> neighbours_;
    bool any_kept_ = false;
};

/// The frame's pixels on the canvas: x0 in [0, width) where it wraps and no wider than that, cut to
/// the canvas elsewhere.
Rect rect_on_canvas(const Rect& rect, const CanvasSpan& canvas);

}  // namespace broadloom
