#include "canvas/inner_crop.hpp"

#include <algorithm>
#include <vector>

#include "base/parallel.hpp"
#include "canvas/largest_rectangle.hpp"

namespace broadloom {

namespace {

/// Steps that are looked at, at most, unless they are cells.
constexpr int64_t kMostSteps = int64_t{1} << 25;
/// Cells that are projected at once, each way.
constexpr int64_t kBlock = 32;

int64_t step_of(const Canvas& canvas) {
    int64_t step = 1;
    while (step < kCell && (canvas.width / step) * (canvas.height / step) > kMostSteps) step *= 2;
    return step;
}

/// Whether the square of `step` pixels at (i, j) of a cell is covered.
bool square_covered(const CoverRegion& region, int64_t cx, int64_t cy, int64_t i, int64_t j,
                    int64_t step) {
    const unsigned wanted = ((1U << step) - 1) << i;
    for (int64_t y = j; y < j + step; ++y) {
        if ((region.row(cx, cy, y) & wanted) != wanted) return false;
    }
    return true;
}

/// A band of cell rows as squares of `step`: 1 where all of a square is covered.
void fill_band(const Cover& cover, int64_t first_row, int64_t cell_rows, int64_t step,
               int64_t columns, int threads, std::vector<uint8_t>& squares) {
    const Canvas& canvas = cover.canvas();
    const int64_t cells = ceil_div(canvas.width, kCell);
    const auto blocks = static_cast<size_t>(ceil_div(cells, kBlock));
    const int64_t per_cell = kCell / step;
    std::fill(squares.begin(), squares.end(), uint8_t{0});
    for_each_index(blocks, threads, [&](size_t block, int) {
        const int64_t x0 = static_cast<int64_t>(block) * kBlock;
        const CellRegion region{x0, first_row, std::min(x0 + kBlock, cells), first_row + cell_rows};
        const CoverRegion covered = cover.over(region);
        for (int64_t cy = 0; cy < region.height(); ++cy) {
            for (int64_t cx = 0; cx < region.width(); ++cx) {
                const Coverage cell = covered.cell(cx, cy);
                if (cell == Coverage::none) continue;
                const int64_t left = (region.x0 + cx) * per_cell;
                const int64_t right = std::min(left + per_cell, columns);
                for (int64_t j = 0; j < per_cell; ++j) {
                    uint8_t* row = squares.data() + (cy * per_cell + j) * columns;
                    for (int64_t x = left; x < right; ++x) {
                        row[x] = cell == Coverage::full ||
                                 square_covered(covered, cx, cy, (x - left) * step, j * step, step);
                    }
                }
            }
        }
    });
}

Rect search_squares(const Cover& cover, int64_t step, int threads) {
    const Canvas& canvas = cover.canvas();
    const int64_t columns = canvas.width / step;
    const int64_t rows = canvas.height / step;
    if (columns == 0 || rows == 0) return {};
    LargestRectangle largest(columns, canvas.wraps);
    const int64_t per_cell = kCell / step;
    const int64_t cell_rows = ceil_div(canvas.height, kCell);
    const int64_t band =
        std::min(std::clamp<int64_t>(kMostSteps / (per_cell * columns), 1, kBlock), cell_rows);
    std::vector<uint8_t> squares(static_cast<size_t>(band * per_cell * columns));
    for (int64_t first = 0; first < cell_rows; first += band) {
        fill_band(cover, first, std::min(band, cell_rows - first), step, columns, threads, squares);
        const int64_t end = std::min((first + band) * per_cell, rows);
        for (int64_t y = first * per_cell; y < end; ++y) {
            largest.add_row(
                {squares.data() + (y - first * per_cell) * columns, static_cast<size_t>(columns)});
        }
    }
    const Rect found = largest.finish();
    return {found.x0 * step, found.y0 * step, found.x1 * step, found.y1 * step};
}

/// Calls visit(x, y, covered) for every pixel of a strip, in pieces that need little memory.
template <typename Visit>
void visit_pixels(const Cover& cover, const Rect& strip, const Visit& visit) {
    const int64_t piece = kBlock * kCell;
    for (int64_t y0 = strip.y0; y0 < strip.y1; y0 += piece) {
        for (int64_t x0 = strip.x0; x0 < strip.x1; x0 += piece) {
            const Rect r = intersect(strip, {x0, y0, x0 + piece, y0 + piece});
            const CoverRegion covered = cover.over(cells_of(r));
            for (int64_t y = r.y0; y < r.y1; ++y) {
                for (int64_t x = r.x0; x < r.x1; ++x) visit(x, y, covered.covered(x, y));
            }
        }
    }
}

/// Moves the sides outwards by less than a step each, so that the area becomes the largest.
class Grower {
  public:
    Grower(const Cover& cover, const Rect& rect, int64_t most)
        : cover_(cover), rect_(rect), most_(most) {}

    [[nodiscard]] Rect grown() {
        const Rect& r = rect_;
        const Canvas& canvas = cover_.canvas();
        const int64_t up = free_lines({r.x0, r.y0 - most_, r.x1, r.y0}, Side::top);
        const int64_t down = free_lines({r.x0, r.y1, r.x1, r.y1 + most_}, Side::bottom);
        int64_t left = free_lines({r.x0 - most_, r.y0, r.x0, r.y1}, Side::left);
        int64_t right = free_lines({r.x1, r.y0, r.x1 + most_, r.y1}, Side::right);
        // All the way round there is nothing beside it.
        const int64_t room = canvas.wraps ? canvas.width - r.width() : 2 * most_;
        left = std::min(left, room);
        right = std::min(right, room);
        const std::vector<int64_t> above_left = corner(r.x0, r.y0, -1, -1);
        const std::vector<int64_t> above_right = corner(r.x1, r.y0, 1, -1);
        const std::vector<int64_t> below_left = corner(r.x0, r.y1, -1, 1);
        const std::vector<int64_t> below_right = corner(r.x1, r.y1, 1, 1);
        Rect best = r;
        for (int64_t a = 0; a <= left; ++a) {
            for (int64_t b = 0; b <= right && a + b <= room; ++b) {
                const auto l = static_cast<size_t>(a);
                const auto k = static_cast<size_t>(b);
                const int64_t u = std::min({up, above_left[l], above_right[k]});
                const int64_t d = std::min({down, below_left[l], below_right[k]});
                const Rect tried{r.x0 - a, r.y0 - u, r.x1 + b, r.y1 + d};
                if (tried.area() > best.area()) best = tried;
            }
        }
        return best;
    }

  private:
    enum class Side { left, top, right, bottom };

    /// Lines of a strip that are covered from end to end, counted from the rectangle outwards.
    [[nodiscard]] int64_t free_lines(const Rect& strip, Side side) const {
        std::vector<uint8_t> open(static_cast<size_t>(most_), 1);
        visit_pixels(cover_, strip, [&](int64_t x, int64_t y, bool covered) {
            if (covered) return;
            const int64_t line = side == Side::left    ? strip.x1 - 1 - x
                                 : side == Side::right ? x - strip.x0
                                 : side == Side::top   ? strip.y1 - 1 - y
                                                       : y - strip.y0;
            open[static_cast<size_t>(line)] = 0;
        });
        return std::find(open.begin(), open.end(), uint8_t{0}) - open.begin();
    }

    /// How many rows are free beside the corner at (x, y) when 0, 1, ... columns are added; dx and
    /// dy lead outwards.
    [[nodiscard]] std::vector<int64_t> corner(int64_t x, int64_t y, int64_t dx, int64_t dy) const {
        const Rect area{dx < 0 ? x - most_ : x, dy < 0 ? y - most_ : y, dx < 0 ? x : x + most_,
                        dy < 0 ? y : y + most_};
        std::vector<int64_t> free_rows(static_cast<size_t>(most_) + 1, most_);
        visit_pixels(cover_, area, [&](int64_t px, int64_t py, bool covered) {
            if (covered) return;
            const int64_t column = dx < 0 ? area.x1 - 1 - px : px - area.x0;
            const int64_t row = dy < 0 ? area.y1 - 1 - py : py - area.y0;
            for (int64_t c = column + 1; c <= most_; ++c) {
                int64_t& rows = free_rows[static_cast<size_t>(c)];
                rows = std::min(rows, row);
            }
        });
        return free_rows;
    }

    const Cover& cover_;
    Rect rect_;
    int64_t most_;
};

}  // namespace

std::optional<Rect> largest_covered(const Cover& cover, int threads) {
    const Canvas& canvas = cover.canvas();
    // Where what is covered is narrower than a step, smaller ones find it.
    for (int64_t step = step_of(canvas); step >= 1; step /= 2) {
        Rect found = search_squares(cover, step, threads);
        if (found.empty()) continue;
        if (step > 1) found = Grower(cover, found, step - 1).grown();
        if (canvas.wraps) {
            found = found.width() >= canvas.width
                        ? Rect{0, found.y0, canvas.width, found.y1}
                        : found.moved(-floor_div(found.x0, canvas.width) * canvas.width, 0);
        }
        return found;
    }
    return std::nullopt;
}

}  // namespace broadloom
