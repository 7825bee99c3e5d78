#include "settle/frame_store.hpp"

#include <algorithm>

namespace broadloom {

namespace {

size_t bytes_of(const CoarseFrame& f) {
    size_t bytes = f.flags.size() + f.detail.size();
    for (const auto& plane : f.value) bytes += plane.size() * sizeof(int16_t);
    return bytes;
}

}  // namespace

std::shared_ptr<const CoarseFrame> FrameStore::get(int frame) {
    {
        const std::scoped_lock lock(mutex_);
        const auto found = std::find_if(entries_.begin(), entries_.end(),
                                        [&](const Entry& e) { return e.first == frame; });
        if (found != entries_.end()) {
            entries_.splice(entries_.begin(), entries_, found);
            return found->second;
        }
    }
    // Two threads may read the same frame at once; one copy stays.
    auto read = frames_.get(static_cast<size_t>(frame));
    const std::scoped_lock lock(mutex_);
    if (std::any_of(entries_.begin(), entries_.end(),
                    [&](const Entry& e) { return e.first == frame; })) {
        return read;
    }
    held_ += bytes_of(*read);
    entries_.emplace_front(frame, read);
    while (held_ > bytes_) {
        held_ -= bytes_of(*entries_.back().second);
        entries_.pop_back();
    }
    return read;
}

}  // namespace broadloom
