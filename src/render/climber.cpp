#include "render/climber.hpp"

#include <utility>

#include "base/stopwatch.hpp"

namespace broadloom {

uint8_t* Climber::leaf_pixels(int64_t width, int64_t height) {
    if (pictures_.empty()) pictures_.resize(1);
    pictures_[0].resize(static_cast<size_t>(width * height * pixel_bytes_));
    return pictures_[0].data();
}

int64_t Climber::deliver(int64_t node, const PictureView& picture) {
    const int64_t above = tree_.nodes[static_cast<size_t>(node)].parent;
    if (above >= 0 && !job_.wants(above)) return -1;
    return parents_.deliver(node, picture);
}

void Climber::finish_leaf(int64_t leaf) {
    const PyramidShape& shape = tree_.shape;
    const int64_t at = tree_.leaves[static_cast<size_t>(leaf)];
    const QuadNode& node = tree_.nodes[static_cast<size_t>(at)];
    const Rect rect = tree_.picture_rect(node);
    const int top = shape.levels() - 1;
    const int up = top - node.level;

    // The leaf's own levels.
    std::vector<PictureView> views{
        {pictures_[0].data(), rect.width(), rect.height(), rect.width() * pixel_bytes_}};
    {
        const Stopwatch watch(times_.shrink);
        pictures_.resize(static_cast<size_t>(up) + 1);
        for (int i = 1; i <= up; ++i) {
            const PictureView& fine = views.back();
            const int64_t w = (fine.width + 1) / 2;
            const int64_t h = (fine.height + 1) / 2;
            auto& picture = pictures_[static_cast<size_t>(i)];
            picture.resize(static_cast<size_t>(w * h * pixel_bytes_));
            shrink_picture(fine, pixel_bytes_, picture.data(), w * pixel_bytes_);
            views.push_back({picture.data(), w, h, w * pixel_bytes_});
        }
    }
    std::vector<FinishedCell> cells;
    {
        const Stopwatch watch(times_.encode);
        // Children before parents, as everywhere.
        const auto emit = [&](const auto& self, int level, int64_t column, int64_t row) -> void {
            if (column >= shape.columns(level) || row >= shape.rows(level)) return;
            if (level < top) {
                for (int64_t r = 2 * row; r <= 2 * row + 1; ++r) {
                    for (int64_t c = 2 * column; c <= 2 * column + 1; ++c)
                        self(self, level + 1, c, r);
                }
            }
            const PictureView& view = views[static_cast<size_t>(top - level)];
            const Rect cell = shape.cell_rect(level, column, row);
            const int64_t x = cell.x0 - (rect.x0 >> (top - level));
            const int64_t y = cell.y0 - (rect.y0 >> (top - level));
            cells.push_back(encoder_.encode(level, column, row,
                                            {view.data + y * view.stride + x * pixel_bytes_,
                                             cell.width(), cell.height(), view.stride}));
        };
        emit(emit, node.level, node.column, node.row);
    }
    // Delivered before it is submitted, so that whatever is written has left its part above.
    int64_t parent = -1;
    {
        const Stopwatch watch(times_.shrink);
        parent = deliver(at, views.back());
    }
    {
        const Stopwatch watch(times_.write);
        committer_.submit(at, std::move(cells));
    }
    climb(parent);
}

void Climber::climb(int64_t parent) {
    while (parent >= 0) {
        const QuadNode& node = tree_.nodes[static_cast<size_t>(parent)];
        const PictureView view = parents_.picture(parent);
        std::vector<FinishedCell> cells;
        {
            const Stopwatch watch(times_.encode);
            cells.push_back(encoder_.encode(node.level, node.column, node.row, view));
        }
        int64_t above = -1;
        {
            const Stopwatch watch(times_.shrink);
            above = deliver(parent, view);
        }
        const Stopwatch watch(times_.write);
        committer_.submit(parent, std::move(cells));
        parent = above;
    }
}

}  // namespace broadloom
