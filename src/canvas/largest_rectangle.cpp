#include "canvas/largest_rectangle.hpp"

#include <algorithm>

namespace broadloom {

LargestRectangle::LargestRectangle(int64_t width, bool wraps)
    : width_(width), wraps_(wraps), height_(static_cast<size_t>(width), 0) {}

void LargestRectangle::add_row(std::span<const uint8_t> row) {
    // A rectangle that ends at the row before matters only if this row ends one.
    bool ends = false;
    for (size_t x = 0; x < height_.size(); ++x) ends = ends || (row[x] == 0 && height_[x] > 0);
    if (ends) search();
    for (size_t x = 0; x < height_.size(); ++x) height_[x] = row[x] != 0 ? height_[x] + 1 : 0;
    ++rows_;
}

Rect LargestRectangle::finish() {
    search();
    return best_;
}

/// The largest rectangle that ends at the last row.
void LargestRectangle::search() {
    open_.clear();
    // Twice round where the edges meet, so that every stretch is seen whole.
    const int64_t end = wraps_ ? 2 * width_ : width_;
    for (int64_t x = 0; x <= end; ++x) {
        const int32_t height =
            x == end ? 0 : height_[static_cast<size_t>(x < width_ ? x : x - width_)];
        int64_t from = x;
        while (!open_.empty() && open_.back().height >= height) {
            const Open done = open_.back();
            open_.pop_back();
            from = done.from;
            const int64_t width = std::min(x - done.from, width_);
            if (width * done.height > best_.area()) {
                const int64_t left = done.from < width_ ? done.from : done.from - width_;
                best_ = {left, rows_ - done.height, left + width, rows_};
            }
        }
        if (height > 0) open_.push_back({from, height});
    }
    // All the way round there is no better place to begin than the edge.
    if (wraps_ && best_.width() == width_) best_ = best_.moved(-best_.x0, 0);
}

}  // namespace broadloom
