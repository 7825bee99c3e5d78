#include "render/parents.hpp"

#include "image/kernels.hpp"

namespace broadloom {

int64_t Parents::deliver(int64_t node, const RgbxView& picture) {
    const QuadNode& child = tree_.nodes[static_cast<size_t>(node)];
    if (child.parent < 0) return -1;
    const QuadNode& parent = tree_.nodes[static_cast<size_t>(child.parent)];
    Entry* entry = nullptr;
    {
        const std::lock_guard lock(mutex_);
        entry = &entries_[child.parent];  // a map's entries stay where they are
        if (entry->missing == 0) {
            const Rect rect = tree_.shape.cell_rect(parent.level, parent.column, parent.row);
            entry->width = rect.width();
            entry->height = rect.height();
            entry->missing = parent.children;
            if (!spare_.empty()) {
                entry->pixels = std::move(spare_.back());
                spare_.pop_back();
            }
            entry->pixels.resize(static_cast<size_t>(tree_.shape.tile * tree_.shape.tile * 4));
        }
    }
    // Children write to quarters of their own, so no lock is needed.
    const int64_t half = tree_.shape.tile / 2;
    const int64_t stride = tree_.shape.tile * 4;
    uint8_t* to = entry->pixels.data() + (child.row % 2) * half * stride + (child.column % 2) * half * 4;
    shrink_half(picture.data, picture.width, picture.height, picture.stride, to, stride);
    const std::lock_guard lock(mutex_);
    return --entry->missing == 0 ? child.parent : -1;
}

RgbxView Parents::picture(int64_t node) {
    const std::lock_guard lock(mutex_);
    const Entry& entry = entries_.at(node);
    return {entry.pixels.data(), entry.width, entry.height, tree_.shape.tile * 4};
}

void Parents::release(int64_t node) {
    const std::lock_guard lock(mutex_);
    const auto found = entries_.find(node);
    spare_.push_back(std::move(found->second.pixels));
    entries_.erase(found);
}

}  // namespace broadloom
