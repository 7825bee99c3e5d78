#include "render/parents.hpp"

#include <cstring>

namespace broadloom {

/// The lock is held.
Parents::Entry& Parents::entry_of(int64_t node) {
    Entry& entry = entries_[node];  // a map's entries stay where they are
    if (entry.pixels.empty()) {
        const QuadNode& parent = tree_.nodes[static_cast<size_t>(node)];
        const Rect rect = tree_.shape.cell_rect(parent.level, parent.column, parent.row);
        entry.width = rect.width();
        entry.height = rect.height();
        entry.missing = parent.children;
        if (!spare_.empty()) {
            entry.pixels = std::move(spare_.back());
            spare_.pop_back();
        }
        entry.pixels.resize(static_cast<size_t>(entry.width * entry.height * pixel_bytes_));
    }
    return entry;
}

int64_t Parents::quarter_offset(const QuadNode& child, int64_t parent_width) const {
    const int64_t half = tree_.shape.tile / 2;
    return ((child.row % 2) * half * parent_width + (child.column % 2) * half) * pixel_bytes_;
}

std::pair<int64_t, int64_t> Parents::quarter_size(int64_t node) const {
    const QuadNode& child = tree_.nodes[static_cast<size_t>(node)];
    const Rect rect = tree_.shape.cell_rect(child.level, child.column, child.row);
    return {(rect.width() + 1) / 2, (rect.height() + 1) / 2};
}

int64_t Parents::deliver(int64_t node, const PictureView& picture) {
    const QuadNode& child = tree_.nodes[static_cast<size_t>(node)];
    if (child.parent < 0) return -1;
    Entry* entry = nullptr;
    {
        const std::lock_guard lock(mutex_);
        entry = &entry_of(child.parent);
    }
    // Children write to quarters of their own, so no lock is needed.
    shrink_picture(picture, pixel_bytes_,
                   entry->pixels.data() + quarter_offset(child, entry->width),
                   entry->width * pixel_bytes_);
    const std::lock_guard lock(mutex_);
    entry->delivered.push_back(node);
    return --entry->missing == 0 ? child.parent : -1;
}

PictureView Parents::picture(int64_t node) {
    const std::lock_guard lock(mutex_);
    const Entry& entry = entries_.at(node);
    return {entry.pixels.data(), entry.width, entry.height, entry.width * pixel_bytes_};
}

void Parents::committed(int64_t node) {
    const std::lock_guard lock(mutex_);
    const auto found = entries_.find(node);
    if (found == entries_.end()) return;
    spare_.push_back(std::move(found->second.pixels));
    entries_.erase(found);
}

std::vector<Parents::Quarter> Parents::save(int64_t next) {
    const std::lock_guard lock(mutex_);
    std::vector<Quarter> saved;
    for (const auto& [parent, entry] : entries_) {
        for (const int64_t child : entry.delivered) {
            if (child >= next) continue;
            const auto [width, height] = quarter_size(child);
            Quarter quarter{
                child, std::vector<uint8_t>(static_cast<size_t>(width * height * pixel_bytes_))};
            const uint8_t* from =
                entry.pixels.data() +
                quarter_offset(tree_.nodes[static_cast<size_t>(child)], entry.width);
            for (int64_t y = 0; y < height; ++y) {
                std::memcpy(quarter.pixels.data() + y * width * pixel_bytes_,
                            from + y * entry.width * pixel_bytes_,
                            static_cast<size_t>(width * pixel_bytes_));
            }
            saved.push_back(std::move(quarter));
        }
    }
    return saved;
}

std::vector<int64_t> Parents::restore(const std::vector<Quarter>& quarters) {
    const std::lock_guard lock(mutex_);
    for (const Quarter& quarter : quarters) {
        const QuadNode& child = tree_.nodes[static_cast<size_t>(quarter.child)];
        Entry& entry = entry_of(child.parent);
        const auto [width, height] = quarter_size(quarter.child);
        uint8_t* to = entry.pixels.data() + quarter_offset(child, entry.width);
        for (int64_t y = 0; y < height; ++y) {
            std::memcpy(to + y * entry.width * pixel_bytes_,
                        quarter.pixels.data() + y * width * pixel_bytes_,
                        static_cast<size_t>(width * pixel_bytes_));
        }
        entry.delivered.push_back(quarter.child);
        --entry.missing;
    }
    std::vector<int64_t> complete;
    for (const auto& [parent, entry] : entries_) {
        if (entry.missing == 0) complete.push_back(parent);
    }
    return complete;
}

}  // namespace broadloom
