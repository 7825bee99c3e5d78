/// Frames that were used lately, so that one on disk is not read for every neighbour.
#pragma once

#include <cstddef>
#include <list>
#include <memory>
#include <mutex>
#include <utility>

#include "settle/coarse_frame.hpp"

namespace broadloom {

class FrameStore {
  public:
    /// Holds up to `bytes` of frames, besides those that callers hold.
    FrameStore(const CoarseFrames& frames, size_t bytes) : frames_(frames), bytes_(bytes) {}

    /// From any thread.
    [[nodiscard]] std::shared_ptr<const CoarseFrame> get(int frame);
    [[nodiscard]] const CoarseFrames& frames() const { return frames_; }

  private:
    using Entry = std::pair<int, std::shared_ptr<const CoarseFrame>>;
    const CoarseFrames& frames_;
    size_t bytes_, held_ = 0;
    std::list<Entry> entries_;  // the latest first
    std::mutex mutex_;
};

}  // namespace broadloom
