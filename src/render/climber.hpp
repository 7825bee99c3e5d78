/// From a leaf's finished picture to its tiles, and to those of every parent that it completes: the
/// render's last stage, which knows nothing of frames.
#pragma once

#include <cstdint>
#include <vector>

#include "pyramid/quadtree.hpp"
#include "render/job.hpp"
#include "render/parents.hpp"
#include "render/tile_sink.hpp"

namespace broadloom {

/// Seconds spent in the parts of the last stage.
struct ClimbTimes {
    double shrink = 0, encode = 0, write = 0;
};

/// One worker's; not shared between threads. Committer and parents are shared.
class Climber {
  public:
    Climber(const RenderJob& job, const TileLayout& layout, OrderedCommitter& committer,
            Parents& parents)
        : job_(job),
          tree_(*job.tree),
          pixel_bytes_(job.pixel_bytes()),
          committer_(committer),
          parents_(parents),
          encoder_(job, layout) {}

    /// Room for a leaf's pixels of `width` x `height`, rows without gaps; contents undefined.
    uint8_t* leaf_pixels(int64_t width, int64_t height);

    /// Shrinks, encodes and hands over what stands in leaf_pixels() as leaf number `leaf` of the
    /// tree.
    void finish_leaf(int64_t leaf);

    /// Finishes a complete parent (-1: none) and those above it that it completes.
    void climb(int64_t parent);

    [[nodiscard]] const ClimbTimes& times() const { return times_; }

  private:
    /// Parents::deliver(), but to parents that are wanted alone.
    int64_t deliver(int64_t node, const PictureView& picture);

    const RenderJob& job_;
    const Quadtree& tree_;
    int64_t pixel_bytes_;
    OrderedCommitter& committer_;
    Parents& parents_;
    CellEncoder encoder_;
    std::vector<std::vector<uint8_t>> pictures_;  // a leaf's levels, largest first
    ClimbTimes times_;
};

}  // namespace broadloom
