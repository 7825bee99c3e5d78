#include "blend/grid_labels.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <utility>

#include "blend/kept_cell.hpp"

namespace broadloom {

namespace {

/// The two coarse columns (or rows) around a canvas column (or row), counted among those that a
/// window holds, and the second one's weight.
struct Neighbours {
    int64_t first = 0, second = 0;
    double weight = 0;
};

/// The part of the grid that votes on a rectangle of pixels, and where their columns and rows fall
/// in it. A function of canvas and pixels alone.
class GridWindow {
  public:
    GridWindow(const LabelRuns& grid, const Canvas& canvas, const Rect& pixels) {
        for (int64_t x = pixels.x0; x < pixels.x1; ++x) columns_.push_back(column(grid, canvas, x));
        for (int64_t y = pixels.y0; y < pixels.y1; ++y) rows_.push_back(row(grid, canvas, y));
        const std::vector<int64_t> held_columns = hold(columns_);
        column_spans_ = spans_of(columns_);
        width_ = held_columns.size();
        for (const int64_t y : hold(rows_)) {
            labels_.resize(labels_.size() + width_);
            grid.pick(y, held_columns, labels_.data() + labels_.size() - width_);
        }
        row_spans_ = spans_of(rows_);
    }

    /// Counted from the rectangle's corner.
    [[nodiscard]] const Neighbours& column(int64_t x) const {
        return columns_[static_cast<size_t>(x)];
    }
    [[nodiscard]] const Neighbours& row(int64_t y) const { return rows_[static_cast<size_t>(y)]; }
    /// Of a column and a row of the window.
    [[nodiscard]] int16_t at(int64_t column, int64_t row) const {
        return labels_[static_cast<size_t>(row) * width_ + static_cast<size_t>(column)];
    }
    [[nodiscard]] const std::vector<int16_t>& labels() const { return labels_; }

    /// The label of everything that votes on a pixel of a cell, counted from the rectangle's
    /// corner, if it is one.
    [[nodiscard]] std::optional<int16_t> only_label(int64_t cx, int64_t cy) const {
        const Span& columns = column_spans_[static_cast<size_t>(cx)];
        const Span& rows = row_spans_[static_cast<size_t>(cy)];
        const int16_t label = at(columns.first, rows.first);
        for (int64_t row = rows.first; row <= rows.last; ++row) {
            for (int64_t column = columns.first; column <= columns.last; ++column) {
                if (at(column, row) != label) return std::nullopt;
            }
        }
        return label;
    }

  private:
    struct Span {
        int64_t first, last;
    };
    /// For each cell the columns or rows that vote on it, and on a canvas's edge those between.
    static std::vector<Span> spans_of(const std::vector<Neighbours>& places) {
        std::vector<Span> spans;
        for (size_t i = 0; i < places.size(); ++i) {
            const Neighbours& n = places[i];
            if (i % kCell == 0) spans.push_back({n.first, n.first});
            spans.back().first = std::min({spans.back().first, n.first, n.second});
            spans.back().last = std::max({spans.back().last, n.first, n.second});
        }
        return spans;
    }

    /// Counts columns or rows of the grid among those that occur, which are returned, rising.
    static std::vector<int64_t> hold(std::vector<Neighbours>& places) {
        std::vector<int64_t> held;
        for (const Neighbours& n : places) {
            for (const int64_t i : {n.first, n.second}) {
                if (std::find(held.end() - std::min<std::ptrdiff_t>(2, std::ssize(held)),
                              held.end(), i) == held.end()) {
                    held.push_back(i);
                }
            }
        }
        std::sort(held.begin(), held.end());
        held.erase(std::unique(held.begin(), held.end()), held.end());
        const auto place = [&](int64_t i) {
            return std::lower_bound(held.begin(), held.end(), i) - held.begin();
        };
        for (Neighbours& n : places) {
            n.first = place(n.first);
            n.second = place(n.second);
        }
        return held;
    }
    static Neighbours column(const LabelRuns& grid, const Canvas& canvas, int64_t x) {
        if (canvas.wraps) x -= floor_div(x, canvas.width) * canvas.width;
        const double longitude =
            canvas.left_deg + (static_cast<double>(x) + 0.5) / canvas.pixels_per_degree;
        double at = (longitude - grid.left_deg) * grid.pixels_per_degree;
        // A whole turn more or less, so that it lies within the grid or near one of its ends.
        const double turn = 360 * grid.pixels_per_degree;
        const double start = (static_cast<double>(grid.width) - turn) / 2;
        at -= std::floor((at - start) / turn) * turn;
        return around(at, grid.width, grid.wraps);
    }
    static Neighbours row(const LabelRuns& grid, const Canvas& canvas, int64_t y) {
        const double down = (static_cast<double>(y) + 0.5) / canvas.pixels_per_degree;
        double degrees = canvas.top_deg - down;  // on the sphere
        if (canvas.surface == Surface::cylinder) {
            const double rise = std::tan(grid.top_deg * kRadPerDeg) -
                                std::tan(canvas.top_deg * kRadPerDeg) + down * kRadPerDeg;
            degrees = grid.top_deg - rise * kDegPerRad;
        }
        return around((grid.top_deg - degrees) * grid.pixels_per_degree, grid.height, false);
    }
    static Neighbours around(double at, int64_t size, bool wraps) {
        const double first = std::floor(at - 0.5);
        Neighbours n;
        n.weight = at - 0.5 - first;
        // Far outside (a canvas larger than the grid's) the nearest edge answers.
        const double held = std::clamp(first, -2.0, static_cast<double>(size) + 1);
        n.first = static_cast<int64_t>(held);
        n.second = n.first + 1;
        for (int64_t* i : {&n.first, &n.second}) {
            *i = wraps ? *i - floor_div(*i, size) * size : std::clamp<int64_t>(*i, 0, size - 1);
        }
        return n;
    }

    std::vector<Neighbours> columns_, rows_;
    std::vector<Span> column_spans_, row_spans_;
    size_t width_ = 0;
    std::vector<int16_t> labels_;  // row by row
};

struct Vote {
    int frame = -1;
    double weight = 0;
};

/// Votes about one pixel: the labels around it, equal ones added up; nobody does not vote.
class Votes {
  public:
    void add(int16_t frame, double weight) {
        if (frame < 0) return;
        for (Vote& v : votes_) {
            if (v.frame == frame) {
                v.weight += weight;
                return;
            }
            if (v.frame < 0) {
                v = {frame, weight};
                return;
            }
        }
    }
    /// The greatest first, the earlier frame on ties; -1 ends them.
    std::array<Vote, 4>& sorted() {
        std::sort(votes_.begin(), votes_.end(), [](const Vote& a, const Vote& b) {
            if ((a.frame < 0) != (b.frame < 0)) return b.frame < 0;
            return a.weight != b.weight ? a.weight > b.weight : a.frame < b.frame;
        });
        return votes_;
    }

  private:
    std::array<Vote, 4> votes_{};
};

class CellVotes {
  public:
    CellVotes(const RegionMaps& maps, const Kernels& kernels, const LabelRuns& grid)
        : maps_(maps),
          kernels_(kernels),
          grid_(grid, maps.canvas(), maps.region().pixels()),
          inside_(maps.frames().size()) {}

    void decide(int64_t cx, int64_t cy, LabelRegion& out) {
        kept_first(maps_, kernels_, cx, cy, out, [&] { decide_by_votes(cx, cy, out); });
    }

  private:
    void decide_by_votes(int64_t cx, int64_t cy, LabelRegion& out) {
        const std::optional<int16_t> only = grid_.only_label(cx, cy);
        if (only) {
            const int k = *only < 0 ? -1 : map_of(*only);
            if (k < 0 || coverage(k, cx, cy) == Coverage::none) {
                NearestCentreLabels::label_cell(maps_, kernels_, cx, cy, out);
                return;
            }
            if (coverage(k, cx, cy) == Coverage::full) {
                out.set(cx, cy, static_cast<Label>(k));
                return;
            }
        }
        by_pixels(cx, cy, out);
    }

    void by_pixels(int64_t cx, int64_t cy, LabelRegion& out) {
        for (auto& p : inside_) p.known = false;
        std::array<Label, kCellArea> labels;
        bool undecided = false;
        for (int64_t j = 0; j < kCell; ++j) {
            const Neighbours& row = grid_.row(cy * kCell + j);
            for (int64_t i = 0; i < kCell; ++i) {
                const Neighbours& column = grid_.column(cx * kCell + i);
                Votes votes;
                votes.add(grid_.at(column.first, row.first),
                          (1 - column.weight) * (1 - row.weight));
                votes.add(grid_.at(column.second, row.first), column.weight * (1 - row.weight));
                votes.add(grid_.at(column.first, row.second), (1 - column.weight) * row.weight);
                votes.add(grid_.at(column.second, row.second), column.weight * row.weight);
                const auto at = static_cast<size_t>(j * kCell + i);
                labels[at] = winner(votes, cx, cy, at);
                undecided = undecided || labels[at] == kNobody;
            }
        }
        if (undecided) {
            NearestCentreLabels::label_cell(maps_, kernels_, cx, cy, out);
            const Label whole = out.cell(cx, cy);
            for (size_t at = 0; at < kCellArea; ++at) {
                if (labels[at] != kNobody) continue;
                labels[at] = whole == LabelRegion::kMixed ? out.pixels(cx, cy)[at] : whole;
            }
        }
        out.set(cx, cy, labels);
    }

    /// The first of the votes whose frame covers the pixel; kNobody: none does.
    Label winner(Votes& votes, int64_t cx, int64_t cy, size_t at) {
        for (const Vote& v : votes.sorted()) {
            if (v.frame < 0) break;
            const int k = map_of(v.frame);
            if (k >= 0 && covers(k, cx, cy, at)) return static_cast<Label>(k);
        }
        return kNobody;
    }

    [[nodiscard]] Coverage coverage(int k, int64_t cx, int64_t cy) const {
        return maps_.map(static_cast<size_t>(k)).coverage(cx, cy);
    }

    bool covers(int k, int64_t cx, int64_t cy, size_t at) {
        Inside& p = inside_[static_cast<size_t>(k)];
        if (!p.known) {
            p.known = true;
            const Coverage share = coverage(k, cx, cy);
            if (share == Coverage::part) {
                const CellMap& map = maps_.map(static_cast<size_t>(k));
                CellCoords coords;
                int64_t ox = 0;
                int64_t oy = 0;
                map.coordinates(cx, cy, kernels_, coords, ox, oy);
                map.covered(coords, ox, oy, p.covered);
            } else {
                std::fill(p.covered, p.covered + kCellArea, share == Coverage::full);
            }
        }
        return p.covered[at];
    }

    /// The place of a frame among the region's maps; -1 when it is not near.
    [[nodiscard]] int map_of(int frame) const {
        const auto at = std::lower_bound(maps_.frames().begin(), maps_.frames().end(), frame);
        return at != maps_.frames().end() && *at == frame
                   ? static_cast<int>(at - maps_.frames().begin())
                   : -1;
    }

    struct Inside {
        bool known = false;
        bool covered[kCellArea];
    };

    const RegionMaps& maps_;
    const Kernels& kernels_;
    GridWindow grid_;
    std::vector<Inside> inside_;  // of the cell at hand, as maps
};

}  // namespace

GridLabels::GridLabels(const LabelGrid& grid) : runs_(grid) {}

std::vector<int> GridLabels::frames_in(const Canvas& canvas, const Rect& pixels) const {
    std::vector<bool> present;
    const GridWindow window(runs_, canvas, pixels);
    for (const int16_t label : window.labels()) {
        if (label < 0) continue;
        const auto at = static_cast<size_t>(label);
        if (at >= present.size()) present.resize(at + 1);
        present[at] = true;
    }
    std::vector<int> found;
    for (size_t f = 0; f < present.size(); ++f) {
        if (present[f]) found.push_back(static_cast<int>(f));
    }
    return found;
}

LabelRegion GridLabels::label(const RegionMaps& maps, const Kernels& kernels) const {
    const CellRegion& region = maps.region();
    LabelRegion out(region);
    CellVotes votes(maps, kernels, runs_);
    for (int64_t cy = 0; cy < region.height(); ++cy) {
        for (int64_t cx = 0; cx < region.width(); ++cx) votes.decide(cx, cy, out);
    }
    return out;
}

}  // namespace broadloom
