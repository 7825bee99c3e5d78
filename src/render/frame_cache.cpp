#include "render/frame_cache.hpp"

#include <algorithm>
#include <limits>

#include "settle/frame_sampling.hpp"

namespace broadloom {

FrameCache::FrameCache(const RenderJob& job, size_t capacity)
    : job_(job), capacity_(capacity), slots_(job.frames.size()), samplers_(job.frames.size()) {
    for (size_t leaf = 0; leaf < job.leaf_frames.size(); ++leaf) {
        for (const int f : job.leaf_frames[leaf]) {
            auto& uses = slots_[root(f)].uses;
            if (uses.empty() || uses.back() != static_cast<int64_t>(leaf)) {
                uses.push_back(static_cast<int64_t>(leaf));
            }
        }
    }
}

size_t FrameCache::root(int frame) const {
    const int64_t same = job_.frames[static_cast<size_t>(frame)].same_as;
    return same >= 0 ? static_cast<size_t>(same) : static_cast<size_t>(frame);
}

std::vector<size_t> FrameCache::roots(const std::vector<int>& frames) const {
    std::vector<size_t> found;
    found.reserve(frames.size());
    for (const int f : frames) found.push_back(root(f));
    std::sort(found.begin(), found.end());
    found.erase(std::unique(found.begin(), found.end()), found.end());
    return found;
}

size_t FrameCache::bytes_of(const std::vector<int>& frames) const {
    size_t sum = 0;
    for (const size_t r : roots(frames)) sum += job_.frames[r].bytes;
    return sum;
}

int64_t FrameCache::next_use(size_t slot, int64_t after) const {
    const auto& uses = slots_[slot].uses;
    const auto found = std::upper_bound(uses.begin(), uses.end(), after);
    return found == uses.end() ? std::numeric_limits<int64_t>::max() : *found;
}

bool FrameCache::admit(int64_t leaf, const std::vector<int>& frames, std::vector<int>& to_decode) {
    const std::vector<size_t> wanted = roots(frames);
    size_t missing = 0;
    for (const size_t r : wanted) {
        if (slots_[r].state == State::absent) missing += job_.frames[r].bytes;
    }
    if (!make_room(missing, leaf, [&](size_t slot, int64_t) {
            return !std::binary_search(wanted.begin(), wanted.end(), slot);
        })) {
        return false;
    }
    for (const size_t r : wanted) {
        ++slots_[r].pins;
        if (slots_[r].state != State::absent) continue;
        start_loading(r);
        to_decode.push_back(static_cast<int>(r));
    }
    spare_.clear();  // the rest goes back to the system
    return true;
}

bool FrameCache::make_room(size_t needed, int64_t after,
                           const std::function<bool(size_t slot, int64_t use)>& may_go) {
    std::vector<std::pair<int64_t, size_t>> idle;  // next use, slot
    size_t idle_bytes = 0;
    for (size_t s = 0; s < slots_.size(); ++s) {
        if (slots_[s].state != State::ready || slots_[s].pins > 0) continue;
        const int64_t use = next_use(s, after);
        if (!may_go(s, use)) continue;
        idle.emplace_back(use, s);
        idle_bytes += job_.frames[s].bytes;
    }
    if (used_ + needed > capacity_ + idle_bytes) return false;
    std::sort(idle.rbegin(), idle.rend());
    for (const auto& [use, slot] : idle) {
        if (used_ + needed <= capacity_) break;
        evict(slot);
    }
    return true;
}

void FrameCache::evict(size_t slot) {
    slots_[slot].state = State::absent;
    used_ -= job_.frames[slot].bytes;
    spare_.emplace_back(job_.frames[slot].bytes, std::move(slots_[slot].pixels));
}

void FrameCache::start_loading(size_t slot) {
    slots_[slot].state = State::loading;
    used_ += job_.frames[slot].bytes;
    // A mapping of the right size is reused, which spares the system clearing fresh pages.
    const auto fit = std::find_if(spare_.begin(), spare_.end(), [&](const auto& spare) {
        return spare.first == job_.frames[slot].bytes;
    });
    if (fit != spare_.end()) {
        slots_[slot].pixels = std::move(fit->second);
        spare_.erase(fit);
    }
}

int FrameCache::prefetch(int64_t leaf) {
    // The absent frame that is needed first.
    size_t wanted = slots_.size();
    int64_t wanted_use = std::numeric_limits<int64_t>::max();
    for (size_t s = 0; s < slots_.size(); ++s) {
        if (slots_[s].state != State::absent) continue;
        const int64_t use = next_use(s, leaf - 1);
        if (use < wanted_use) {
            wanted = s;
            wanted_use = use;
        }
    }
    if (wanted == slots_.size()) return -1;
    // Only frames that are needed later still may go for it.
    if (!make_room(job_.frames[wanted].bytes, leaf - 1,
                   [&](size_t, int64_t use) { return use > wanted_use; })) {
        return -1;
    }
    start_loading(wanted);
    spare_.clear();
    return static_cast<int>(wanted);
}

void FrameCache::unpin(const std::vector<int>& frames) {
    for (const size_t r : roots(frames)) --slots_[r].pins;
}

void FrameCache::decode(int frame) {
    const auto s = static_cast<size_t>(frame);
    const FrameInput& input = job_.frames[s];
    decode_frame(input.path, input.name, input.info, input.denominator, slots_[s].pixels);
}

void FrameCache::imagine_decoded(int frame) {
    slots_[static_cast<size_t>(frame)].state = State::ready;
    ++decodes_;
}

void FrameCache::decoded(int frame) {
    const auto s = static_cast<size_t>(frame);
    slots_[s].state = State::ready;
    ++decodes_;
    decoded_megapixels_ +=
        static_cast<double>(slots_[s].pixels.width * slots_[s].pixels.height) / 1e6;
    for (size_t i = 0; i < samplers_.size(); ++i) {
        if (root(static_cast<int>(i)) == s) {
            samplers_[i] =
                frame_sampler_of(slots_[s].pixels, job_.geometry[i], job_.frames[i].stage.get());
            samplers_[i].taps = make_taps(job_.frames[i].pixel_ratio);
        }
    }
}

bool FrameCache::ready(const std::vector<int>& frames) const {
    return std::all_of(frames.begin(), frames.end(),
                       [&](int f) { return slots_[root(f)].state == State::ready; });
}

const FrameSampler* FrameCache::sampler(int frame) const {
    return &samplers_[static_cast<size_t>(frame)];
}

}  // namespace broadloom
