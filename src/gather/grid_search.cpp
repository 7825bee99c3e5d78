#include "gather/grid_search.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

namespace broadloom {
namespace {

constexpr size_t kTried = 40;    // patterns that are fitted in full
constexpr double kUnjoined = 2;  // neighbours in a line that share no matches
constexpr int64_t kUnset = INT64_MIN;

int64_t floor_mod(int64_t a, int64_t m) { return ((a % m) + m) % m; }

struct WholePoint {
    int64_t at = 0, line = 0;  // along the lines and across them, in shooting direction
};

/// A pattern and where the components' whole coordinates lie in it.
struct Guess {
    ShootOrder order;
    int64_t length = 1;  // of a line
    std::vector<WholePoint> origins;
    std::vector<bool> set;
    size_t wrong = 0;
};

/// Frames that are seen, in whole steps along and across the lines of an order.
class Walk {
  public:
    Walk(std::span<const SequenceFrame> frames, int components, const GridSteps& steps,
         const ShootOrder& order)
        : order_(order), round_(steps.round_columns), components_(components) {
        for (size_t i = 0; i < frames.size(); ++i) {
            if (frames[i].component < 0) continue;
            int64_t x = std::llround(frames[i].at.x) * (order.right ? 1 : -1);
            const int64_t y = std::llround(frames[i].at.y) * (order.down ? 1 : -1);
            if (round_ > 0) x = floor_mod(x, round_);
            seen_.push_back({static_cast<int64_t>(i), frames[i].component,
                             order.by_column ? WholePoint{y, x} : WholePoint{x, y}});
        }
        last_ = static_cast<int64_t>(frames.size()) - 1;
        std::map<int64_t, size_t> at;
        std::map<int64_t, size_t> line;
        size_t count = 0;
        for (const Seen& s : seen_) {
            if (s.component != 0) continue;
            ++at[s.where.at];
            ++line[s.where.line];
            ++count;
            if (first_main_ < 0) first_main_ = s.frame;
        }
        std::tie(low_at_, high_at_) = span_of(at, count);
        std::tie(low_line_, high_line_) = span_of(line, count);
    }

    [[nodiscard]] bool any() const { return !seen_.empty(); }
    [[nodiscard]] int64_t span() const { return high_at_ - low_at_ + 1; }
    [[nodiscard]] int64_t lines() const { return high_line_ - low_line_ + 1; }
    [[nodiscard]] bool round_along() const { return round_ > 0 && !order_.by_column; }
    [[nodiscard]] bool round_across() const { return round_ > 0 && order_.by_column; }

    /// Guesses of one line length, with fewer mismatches than `most`.
    void guess(int64_t length, size_t most, std::vector<Guess>& out) const {
        const int64_t shifts = round_along() ? length : std::max<int64_t>(length - span() + 1, 1);
        const int64_t before = first_main_ / length + 1;
        for (int64_t shift = 0; shift < shifts; ++shift) {
            if (round_across()) {
                // The first column may be any of the circle's: that of one of the first frames.
                size_t tried = 0;
                for (const Seen& s : seen_) {
                    if (s.component != 0 || ++tried > 4) continue;
                    const int64_t line = s.frame / length;
                    for (int64_t back = 0; back <= std::min<int64_t>(line, 1); ++back) {
                        consider(length, {shift - low_at_, line - back - s.where.line}, most, out);
                    }
                }
                continue;
            }
            for (int64_t ahead = 0; ahead <= before; ++ahead) {
                consider(length, {shift - low_at_, ahead - low_line_}, most, out);
            }
        }
    }

  private:
    struct Seen {
        int64_t frame = 0;
        int component = 0;
        WholePoint where;
    };

    /// First and last value that is no stray.
    static std::pair<int64_t, int64_t> span_of(const std::map<int64_t, size_t>& counts,
                                               size_t total) {
        if (counts.empty()) return {0, 0};
        const size_t usual = total / counts.size();
        int64_t low = kUnset;
        int64_t high = kUnset;
        for (const auto& [value, count] : counts) {
            if (count * 6 < usual) continue;
            if (low == kUnset) low = value;
            high = value;
        }
        return {low, high};
    }

    [[nodiscard]] int64_t cell_of(const Guess& g, int component, WholePoint p) const {
        const WholePoint& origin = g.origins[static_cast<size_t>(component)];
        p.at += origin.at;
        p.line += origin.line;
        if (round_along()) p.at = floor_mod(p.at, round_);
        if (round_across()) p.line = floor_mod(p.line, round_);
        if (p.at < 0 || p.at >= g.length || p.line < 0) return kUnset;
        const bool reversed = order_.back_and_forth && p.line % 2 == 1;
        return p.line * g.length + (reversed ? g.length - 1 - p.at : p.at);
    }

    void join(Guess& g, const Seen& s, int64_t cell) const {
        if (cell < 0) return;
        const int64_t line = cell / g.length;
        const bool reversed = order_.back_and_forth && line % 2 == 1;
        const int64_t at = cell % g.length;
        g.origins[static_cast<size_t>(s.component)] = {
            (reversed ? g.length - 1 - at : at) - s.where.at, line - s.where.line};
        g.set[static_cast<size_t>(s.component)] = true;
    }

    void consider(int64_t length, WholePoint main_origin, size_t most,
                  std::vector<Guess>& out) const {
        Guess g;
        g.order = order_;
        g.length = length;
        g.origins.resize(static_cast<size_t>(components_));
        g.set.resize(static_cast<size_t>(components_));
        g.origins[0] = main_origin;
        g.set[0] = true;
        // A component is joined where the sequence first comes to it.
        int64_t frame = -1;
        int64_t cell = kUnset;
        size_t main_at = 0;
        while (main_at < seen_.size() && seen_[main_at].component != 0) ++main_at;
        for (size_t n = main_at; n < seen_.size(); ++n) {
            const Seen& s = seen_[n];
            if (!g.set[static_cast<size_t>(s.component)]) {
                if (cell != kUnset) join(g, s, cell + s.frame - frame);
                if (!g.set[static_cast<size_t>(s.component)]) continue;
            }
            const int64_t here = cell_of(g, s.component, s.where);
            if (here != kUnset) {
                cell = here;
                frame = s.frame;
            }
        }
        cell = kUnset;
        for (size_t n = main_at + 1; n-- > 0;) {
            const Seen& s = seen_[n];
            if (!g.set[static_cast<size_t>(s.component)]) {
                if (cell != kUnset) join(g, s, cell + s.frame - frame);
                if (!g.set[static_cast<size_t>(s.component)]) continue;
            }
            const int64_t here = cell_of(g, s.component, s.where);
            if (here != kUnset) {
                cell = here;
                frame = s.frame;
            }
        }
        frame = -1;
        cell = -1;
        for (const Seen& s : seen_) {
            const int64_t here =
                g.set[static_cast<size_t>(s.component)] ? cell_of(g, s.component, s.where) : kUnset;
            if (here == kUnset || here - cell != s.frame - frame) {
                if (++g.wrong > most) return;
            }
            if (here == kUnset) continue;
            cell = here;
            frame = s.frame;
        }
        if ((cell + 1 + last_ - frame) % length != 0 && ++g.wrong > most) return;
        out.push_back(std::move(g));
    }

    ShootOrder order_;
    int64_t round_;
    int components_;
    std::vector<Seen> seen_;
    int64_t last_ = 0, first_main_ = -1;
    int64_t low_at_ = 0, high_at_ = 0, low_line_ = 0, high_line_ = 0;
};

/// Origins once more, from where the fit put the frames of each component.
bool settle_origins(std::span<const SequenceFrame> frames, std::span<const GridPoint> cells,
                    const SequenceFit& fit, int64_t round_columns,
                    std::vector<std::optional<GridPoint>>& origins) {
    bool changed = false;
    for (size_t c = 0; c < origins.size(); ++c) {
        std::map<std::pair<int64_t, int64_t>, size_t> votes;
        for (size_t i = 0; i < frames.size(); ++i) {
            if (frames[i].component != static_cast<int>(c)) continue;
            const GridPoint& cell = cells[static_cast<size_t>(fit.cell[i])];
            int64_t x = std::llround(cell.x - frames[i].at.x);
            if (round_columns > 0) x = floor_mod(x, round_columns);
            ++votes[{x, std::llround(cell.y - frames[i].at.y)}];
        }
        std::optional<GridPoint> best;
        size_t most = 0;
        for (const auto& [origin, count] : votes) {
            if (count <= most) continue;
            most = count;
            best = GridPoint{static_cast<double>(origin.first), static_cast<double>(origin.second)};
        }
        if (best && (!origins[c] || origins[c]->x != best->x || origins[c]->y != best->y)) {
            origins[c] = best;
            changed = true;
        }
    }
    return changed;
}

GridFit fit_guess(std::span<const SequenceFrame> frames, const Guess& guess,
                  std::optional<int64_t> lines, const GridSteps& steps) {
    const auto n = static_cast<int64_t>(frames.size());
    GridFit result;
    result.pattern.order = guess.order;
    int64_t count = lines.value_or((n + guess.length - 1) / guess.length + 2);
    if (!lines && steps.round_columns > 0 && guess.order.by_column) count = steps.round_columns;
    result.pattern.lengths.assign(static_cast<size_t>(count), guess.length);
    std::vector<GridPoint> cells;
    for (const PatternCell& c : result.pattern.sequence()) {
        cells.push_back(even_grid_point(guess.order, c));
    }
    std::vector<std::optional<GridPoint>> origins(guess.origins.size());
    for (size_t c = 0; c < origins.size(); ++c) {
        if (!guess.set[c]) continue;
        origins[c] = even_grid_point(guess.order, {guess.origins[c].line, guess.origins[c].at});
    }
    SequenceFitInput input;
    input.frames = frames;
    input.cells = cells;
    input.period_x = static_cast<double>(steps.round_columns);
    input.line = guess.length;
    input.all_cells = lines.has_value();
    input.origins = origins;
    SequenceFit fit = fit_sequence(input);
    for (int round = 0; round < 3; ++round) {
        if (!settle_origins(frames, cells, fit, steps.round_columns, origins)) break;
        SequenceFit again = fit_sequence(input);
        const bool better = again.cost < fit.cost;
        fit = std::move(again);
        if (!better) break;
    }
    result.cost = fit.cost;
    const std::vector<PatternCell> sequence = result.pattern.sequence();
    for (size_t i = 1; i < frames.size(); ++i) {
        // Frames with texture, one after the other in a line, that nothing joins.
        if (frames[i].component < 0 || frames[i - 1].component < 0 ||
            frames[i].component == frames[i - 1].component || fit.cell[i] != fit.cell[i - 1] + 1) {
            continue;
        }
        // Lines of one cell make one line.
        if (guess.length == 1 || sequence[static_cast<size_t>(fit.cell[i])].line ==
                                     sequence[static_cast<size_t>(fit.cell[i - 1])].line) {
            result.cost += kUnjoined;
        }
    }
    result.misplaced = misplaced_frames(input, fit);
    result.aim_cost = aim_cost(input, fit);
    result.cell = std::move(fit.cell);
    result.pattern.lengths.resize(static_cast<size_t>(fit.end / guess.length), guess.length);
    return result;
}

}  // namespace

GridPoint even_grid_point(const ShootOrder& order, PatternCell cell) {
    const auto along = static_cast<double>(cell.at);
    const auto across = static_cast<double>(cell.line);
    const double x = order.by_column ? across : along;
    const double y = order.by_column ? along : across;
    return {order.right ? x : -x, order.down ? y : -y};
}

bool same_places(const GridFit& a, const GridFit& b) {
    if (a.pattern.rows() != b.pattern.rows() || a.pattern.columns() != b.pattern.columns()) {
        return false;
    }
    const std::vector<PatternCell> in_a = a.pattern.sequence();
    const std::vector<PatternCell> in_b = b.pattern.sequence();
    for (size_t i = 0; i < a.cell.size(); ++i) {
        if (a.pattern.row_and_column(in_a[static_cast<size_t>(a.cell[i])]) !=
            b.pattern.row_and_column(in_b[static_cast<size_t>(b.cell[i])])) {
            return false;
        }
    }
    return true;
}

std::vector<GridFit> search_grids(std::span<const SequenceFrame> frames, int components,
                                  const GridSteps& steps, const GridWishes& wishes) {
    const auto n = static_cast<int64_t>(frames.size());
    std::vector<Guess> guesses;
    size_t most = frames.size();
    for (const ShootOrder& order : all_shoot_orders()) {
        if (wishes.order && shoot_order_text(*wishes.order) != shoot_order_text(order)) continue;
        const Walk walk(frames, components, steps, order);
        const auto wished = order.by_column ? wishes.rows : wishes.columns;
        const auto wished_lines = order.by_column ? wishes.columns : wishes.rows;
        int64_t shortest = walk.span();
        int64_t longest = std::min(n, std::max<int64_t>(3 * shortest + 8, 24));
        if (walk.round_along()) shortest = longest = steps.round_columns;
        if (!walk.any()) shortest = longest = 0;
        if (wished_lines && *wished_lines == 1) longest = std::max(longest, n);
        if (wished) {
            shortest = longest = *wished;
        } else if (!walk.any()) {
            if (!wished_lines || n % *wished_lines != 0) continue;
            shortest = longest = n / *wished_lines;
        }
        for (int64_t length = std::max<int64_t>(shortest, 1); length <= longest; ++length) {
            const size_t had = guesses.size();
            if (walk.any()) {
                walk.guess(length, most, guesses);
            } else {
                guesses.push_back({order, length, {}, {}, 0});
            }
            if (guesses.size() == had || guesses.size() < 4 * kTried) continue;
            std::stable_sort(guesses.begin(), guesses.end(),
                             [](const Guess& a, const Guess& b) { return a.wrong < b.wrong; });
            guesses.resize(kTried);
            most = guesses.back().wrong;
        }
    }
    std::stable_sort(guesses.begin(), guesses.end(),
                     [](const Guess& a, const Guess& b) { return a.wrong < b.wrong; });
    if (guesses.size() > kTried) guesses.resize(kTried);
    std::vector<GridFit> fits;
    for (const Guess& g : guesses) {
        // Retakes cost a walk two mismatches; what has many more than the best is not it.
        if (g.wrong > 3 * guesses.front().wrong + 12) continue;
        GridFit fit = fit_guess(frames, g, g.order.by_column ? wishes.columns : wishes.rows, steps);
        const auto same = std::find_if(fits.begin(), fits.end(), [&](const GridFit& other) {
            return same_places(fit, other);
        });
        if (same == fits.end()) {
            fits.push_back(std::move(fit));
        } else if (fit.cost < same->cost) {
            *same = std::move(fit);
        }
    }
    std::stable_sort(fits.begin(), fits.end(),
                     [](const GridFit& a, const GridFit& b) { return a.cost < b.cost; });
    return fits;
}

}  // namespace broadloom
