/// Pictures of the pyramid's inner cells while their children arrive.
#pragma once

#include <cstdint>
#include <map>
#include <mutex>
#include <utility>
#include <vector>

#include "image/shrink.hpp"
#include "pyramid/quadtree.hpp"
#include "pyramid/regrid.hpp"

namespace broadloom {

/// Shrinks a picture by half in linear light, rows of `stride` bytes to `out`.
inline void shrink_picture(const PictureView& picture, int64_t pixel_bytes, uint8_t* out,
                           std::ptrdiff_t stride) {
    const auto shrink = pixel_bytes == 8 ? shrink_half_deep : shrink_half;
    shrink(picture.data, picture.width, picture.height, picture.stride, out, stride);
}

class Parents {
  public:
    /// `pixel_bytes`: 4, or 8 for deep pictures.
    explicit Parents(const Quadtree& tree, int64_t pixel_bytes = 4)
        : tree_(tree), pixel_bytes_(pixel_bytes) {}

    /// Shrinks a finished node's picture into its parent. Returns the parent's index when that was
    /// the last child, otherwise -1 (also for the root). Any thread.
    int64_t deliver(int64_t node, const PictureView& picture);

    /// The picture of a complete parent; valid until committed().
    PictureView picture(int64_t node);

    /// The node's results are written: its picture, if it has one here, is given up.
    void committed(int64_t node);

    /// A child's part of an unwritten parent.
    struct Quarter {
        int64_t child = 0;
        std::vector<uint8_t> pixels;  ///< rows of quarter_size(child).first pixels
    };
    /// The parts that nodes before `next`, all of them written, left in parents that are not.
    std::vector<Quarter> save(int64_t next);
    /// Puts saved parts back; returns the parents that are complete, rising.
    std::vector<int64_t> restore(const std::vector<Quarter>& quarters);
    /// Width and height of a child's part, pixels.
    [[nodiscard]] std::pair<int64_t, int64_t> quarter_size(int64_t child) const;

  private:
    struct Entry {
        std::vector<uint8_t> pixels;
        int64_t width = 0, height = 0;
        int missing = 0;
        std::vector<int64_t> delivered;
    };
    Entry& entry_of(int64_t parent);
    [[nodiscard]] int64_t quarter_offset(const QuadNode& child, int64_t parent_width) const;
    const Quadtree& tree_;
    int64_t pixel_bytes_;
    std::mutex mutex_;
    std::map<int64_t, Entry> entries_;
    std::vector<std::vector<uint8_t>> spare_;
};

}  // namespace broadloom
