/// Pictures of the pyramid's inner cells while their children arrive.
#pragma once

#include <cstdint>
#include <map>
#include <mutex>
#include <vector>

#include "pyramid/quadtree.hpp"
#include "pyramid/regrid.hpp"

namespace broadloom {

class Parents {
  public:
    explicit Parents(const Quadtree& tree) : tree_(tree) {}

    /// Shrinks a finished node's picture into its parent. Returns the parent's index when that was
    /// the last child, otherwise -1 (also for the root). Any thread.
    int64_t deliver(int64_t node, const RgbxView& picture);

    /// The picture of a complete parent; valid until release().
    RgbxView picture(int64_t node);
    void release(int64_t node);

  private:
    struct Entry {
        std::vector<uint8_t> pixels;
        int64_t width = 0, height = 0;
        int missing = 0;
    };
    const Quadtree& tree_;
    std::mutex mutex_;
    std::map<int64_t, Entry> entries_;
    std::vector<std::vector<uint8_t>> spare_;
};

}  // namespace broadloom
