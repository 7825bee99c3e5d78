/// Decoded frames, charged to the memory budget. The walk is known beforehand, so what is needed
/// furthest ahead goes first. Not thread-safe: the scheduler's lock guards it; decoding itself
/// happens outside the lock on a frame that is being loaded.
#pragma once

#include <cstdint>
#include <functional>
#include <utility>
#include <vector>

#include "image/frame_sampler.hpp"
#include "io/frame_reader.hpp"
#include "render/job.hpp"

namespace broadloom {

class FrameCache {
  public:
    /// Holds up to `capacity` bytes; the leaves' frames are what the job says.
    FrameCache(const RenderJob& job, size_t capacity);

    /// Makes room for and pins all of `frames` for leaf `leaf`, or nothing: false when pinned
    /// frames leave too little room. Frames that have to be decoded are appended to `to_decode`.
    bool admit(int64_t leaf, const std::vector<int>& frames, std::vector<int>& to_decode);
    void unpin(const std::vector<int>& frames);

    /// A frame worth decoding ahead for the leaves from `leaf` on, when room is free or held by
    /// frames whose next use is later; -1: none. It is then being loaded.
    int prefetch(int64_t leaf);

    /// Decodes a frame that admit() asked for; outside the lock.
    void decode(int frame);
    /// Marks it as decoded; under the lock.
    void decoded(int frame);
    /// The same without pixels, to find out what would be decoded.
    void imagine_decoded(int frame);

    [[nodiscard]] bool ready(const std::vector<int>& frames) const;
    [[nodiscard]] const FrameSampler* sampler(int frame) const;

    [[nodiscard]] int64_t decodes() const { return decodes_; }
    [[nodiscard]] double decoded_megapixels() const { return decoded_megapixels_; }
    [[nodiscard]] size_t capacity() const { return capacity_; }
    /// Bytes that these frames hold together when decoded.
    [[nodiscard]] size_t bytes_of(const std::vector<int>& frames) const;

  private:
    enum class State { absent, loading, ready };
    struct Slot {
        State state = State::absent;
        int pins = 0;
        FramePixels pixels;
        std::vector<int64_t> uses;  ///< leaves, rising
    };
    [[nodiscard]] size_t root(int frame) const;
    [[nodiscard]] std::vector<size_t> roots(const std::vector<int>& frames) const;
    [[nodiscard]] int64_t next_use(size_t slot, int64_t after) const;
    /// Evicts what is needed furthest ahead, among idle frames that may go, until `needed` bytes
    /// are free; false, and nothing evicted, when that cannot be.
    bool make_room(size_t needed, int64_t after,
                   const std::function<bool(size_t slot, int64_t use)>& may_go);
    void evict(size_t slot);
    void start_loading(size_t slot);

    const RenderJob& job_;
    size_t capacity_;
    std::vector<Slot> slots_;
    std::vector<FrameSampler> samplers_;
    std::vector<std::pair<size_t, FramePixels>> spare_;  ///< with their bytes
    size_t used_ = 0;
    int64_t decodes_ = 0;
    double decoded_megapixels_ = 0;
};

}  // namespace broadloom
