#include "gather/uneven_rows.hpp"

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <map>
#include <numeric>
#include <optional>

namespace broadloom {
namespace {

double median(std::vector<double> values, double otherwise) {
    if (values.empty()) return otherwise;
    const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    return *middle;
}

/// Frames of the largest component with the line they were seen in, in shooting order of lines.
struct Seen {
    size_t frame = 0;
    int64_t line = 0;
    double yaw = 0;  // grows in the direction in which the first line is shot
};

class UnevenRows {
  public:
    UnevenRows(std::span<const SequenceFrame> frames, const RoughPositions& rough,
               const GridSteps& steps, const ShootOrder& order, bool round)
        : order_(order), round_(round), usual_step_(steps.step_right_deg) {
        const double way = order.right ? 1 : -1;
        frames_.assign(frames.begin(), frames.end());
        std::map<int64_t, size_t> counts;
        for (size_t i = 0; i < frames.size(); ++i) {
            if (frames[i].component < 0) continue;
            frames_[i].at.x = way * rough.aims[i].yaw_deg;
            frames_[i].at.y = frames[i].at.y * (order.down ? 1 : -1);
            if (frames[i].component != 0) continue;
            const int64_t line = std::llround(frames_[i].at.y);
            seen_.push_back({i, line, frames_[i].at.x});
            ++counts[line];
        }
        if (seen_.empty()) return;
        const size_t usual = seen_.size() / counts.size();
        while (counts.size() > 1 && counts.begin()->second * 6 < usual) {
            counts.erase(counts.begin());
        }
        while (counts.size() > 1 && counts.rbegin()->second * 6 < usual) {
            counts.erase(std::prev(counts.end()));
        }
        first_line_ = counts.begin()->first;
        lines_ = static_cast<size_t>(counts.rbegin()->first - first_line_ + 1);
        bounds();
        measure();
    }

    /// False when there is nothing to go by, or when frames that were not seen anywhere must be
    /// more than a row: nothing shows then how they are divided.
    [[nodiscard]] bool any() const {
        if (seen_.empty() || lines_ < 2) return false;
        const size_t most = frames_.size() / lines_ * 3 / 2;
        const auto few = [&](const std::vector<int64_t>& unseen) {
            return unseen.empty() || static_cast<size_t>(unseen.front()) <= most;
        };
        return few(leading_) && few(trailing_);
    }

    [[nodiscard]] std::vector<int64_t> first_lengths() const {
        std::vector<int64_t> lengths = leading_;
        for (size_t v = 0; v < lines_; ++v) {
            const size_t frames = bounds_[v + 1] - bounds_[v];
            int64_t length = static_cast<int64_t>(std::max<size_t>(frames, 1));
            if (step_[v] > 0) {
                length = std::llround((round_ ? 360 : extent_) / step_[v]) + (round_ ? 0 : 1);
            }
            lengths.push_back(std::max<int64_t>(length, 1));
        }
        lengths.insert(lengths.end(), trailing_.begin(), trailing_.end());
        return lengths;
    }

    [[nodiscard]] GridFit fit(const std::vector<int64_t>& lengths) const {
        GridFit result;
        result.pattern.order = order_;
        result.pattern.lengths = lengths;
        result.extent_deg = extent_;
        result.round = round_;
        const auto before = static_cast<int64_t>(leading_.size());
        const std::vector<PatternCell> sequence = result.pattern.sequence();
        std::vector<GridPoint> cells;
        std::vector<double> scale;
        for (const PatternCell& c : sequence) {
            const auto length = static_cast<double>(lengths[static_cast<size_t>(c.line)]);
            const double step = round_         ? 360 / length
                                : length > 1.5 ? extent_ / (length - 1)
                                               : usual_step_;
            const int64_t v = c.line - before;
            double start = middle_ - 0.5 * (length - 1) * step;
            if (round_) {
                const bool own =
                    v >= 0 && v < static_cast<int64_t>(lines_) && step_[static_cast<size_t>(v)] > 0;
                start = own ? starts_[static_cast<size_t>(v)] : start_;
            }
            cells.push_back({start + step * static_cast<double>(c.at), static_cast<double>(v)});
            scale.push_back(1 / step);
        }
        int components = 0;
        for (const SequenceFrame& f : frames_) components = std::max(components, f.component + 1);
        std::vector<std::optional<GridPoint>> origins(static_cast<size_t>(components));
        origins[0] = GridPoint{0, -static_cast<double>(first_line_)};
        SequenceFitInput input;
        input.frames = frames_;
        input.cells = cells;
        input.scale_x = scale;
        input.origins = origins;
        input.period_x = 360;
        input.all_cells = true;
        SequenceFit fit = fit_sequence(input);
        // Each row's start, and the other components' origins, from what was found.
        std::vector<std::vector<double>> off(lengths.size());
        for (size_t i = 0; i < frames_.size(); ++i) {
            if (frames_[i].component != 0) continue;
            const auto k = static_cast<size_t>(fit.cell[i]);
            off[static_cast<size_t>(sequence[k].line)].push_back(
                yaw_between(cells[k].x, frames_[i].at.x));
        }
        for (size_t k = 0; k < cells.size(); ++k) {
            const auto line = static_cast<size_t>(sequence[k].line);
            if (off[line].size() > 2) cells[k].x += median(off[line], 0);
        }
        for (size_t c = 1; c < origins.size(); ++c) {
            std::vector<double> x;
            std::vector<double> y;
            for (size_t i = 0; i < frames_.size(); ++i) {
                if (frames_[i].component != static_cast<int>(c)) continue;
                const GridPoint& cell = cells[static_cast<size_t>(fit.cell[i])];
                x.push_back(cell.x - frames_[i].at.x);
                y.push_back(cell.y - frames_[i].at.y);
            }
            origins[c] = GridPoint{median(x, 0), median(y, 0)};
        }
        SequenceFit again = fit_sequence(input);
        if (again.cost < fit.cost || components > 1) fit = std::move(again);
        result.cost = fit.cost;
        result.misplaced = misplaced_frames(input, fit);
        result.aim_cost = aim_cost(input, fit);
        result.cell = std::move(fit.cell);
        return result;
    }

  private:
    /// Where each line begins in the sequence: as few frames as may be on the wrong side.
    void bounds() {
        const size_t n = frames_.size();
        bounds_.assign(lines_ + 1, n);
        bounds_[0] = 0;
        for (size_t v = 1; v < lines_; ++v) {
            const int64_t line = first_line_ + static_cast<int64_t>(v);
            int64_t wrong = 0;
            for (const Seen& s : seen_) wrong += s.line < line ? 1 : 0;
            int64_t least = wrong;
            bounds_[v] = 0;
            for (const Seen& s : seen_) {
                wrong += s.line < line ? -1 : 1;
                if (wrong < least) {
                    least = wrong;
                    bounds_[v] = s.frame + 1;
                }
            }
            bounds_[v] = std::max(bounds_[v], bounds_[v - 1]);
        }
        // Frames before the first or after the last that was seen may be rows of their own.
        const size_t usual = n / (lines_ + 1) + 1;
        const size_t first = seen_.front().frame;
        const size_t last = seen_.back().frame;
        if (2 * first > usual) {
            leading_.push_back(static_cast<int64_t>(first));
            bounds_[0] = first;
        }
        if (2 * (n - 1 - last) > usual) {
            trailing_.push_back(static_cast<int64_t>(n - 1 - last));
            bounds_[lines_] = last + 1;
        }
    }

    void measure() {
        step_.assign(lines_, 0);
        std::vector<double> low(lines_, 1e9);
        std::vector<double> high(lines_, -1e9);
        std::vector<std::vector<double>> moves(lines_);
        const Seen* before = nullptr;
        for (const Seen& s : seen_) {
            const int64_t line = s.line - first_line_;
            if (line >= 0 && line < static_cast<int64_t>(lines_)) {
                const auto v = static_cast<size_t>(line);
                low[v] = std::min(low[v], s.yaw);
                high[v] = std::max(high[v], s.yaw);
                if (before != nullptr && before->line == s.line && before->frame + 1 == s.frame) {
                    const double move = std::abs(yaw_between(before->yaw, s.yaw));
                    if (move > 0.3 * usual_step_) moves[v].push_back(move);
                }
            }
            before = &s;
        }
        for (size_t v = 0; v < lines_; ++v) step_[v] = median(moves[v], 0);
        // All rows reach equally far: the widest that two rows or more agree on.
        std::vector<double> extents;
        std::vector<double> middles;
        for (size_t v = 0; v < lines_; ++v) {
            if (high[v] >= low[v]) extents.push_back(high[v] - low[v]);
        }
        std::sort(extents.rbegin(), extents.rend());
        extent_ = extents.size() > 2 ? extents[1] : extents.front();
        for (size_t v = 0; v < lines_; ++v) {
            if (high[v] - low[v] > 0.9 * extent_) middles.push_back(0.5 * (low[v] + high[v]));
        }
        middle_ = median(middles, 0);
        // Closed rows all start at one yaw.
        std::vector<double> starts;
        starts_.assign(lines_, 0);
        for (size_t v = 0; v < lines_; ++v) {
            if (step_[v] <= 0) continue;
            for (const Seen& s : seen_) {
                if (s.frame < bounds_[v] || s.line - first_line_ != static_cast<int64_t>(v)) {
                    continue;
                }
                const auto gone = static_cast<double>(s.frame - bounds_[v]);
                const bool reversed = order_.back_and_forth && (leading_.size() + v) % 2 == 1;
                const double yaw =
                    reversed ? s.yaw + (gone + 1) * step_[v] : s.yaw - gone * step_[v];
                starts_[v] = yaw;
                starts.push_back(starts.empty() ? yaw : starts[0] + yaw_between(starts[0], yaw));
                break;
            }
        }
        start_ = median(starts, 0);
    }

    ShootOrder order_;
    bool round_;
    double usual_step_;
    std::vector<SequenceFrame> frames_;
    std::vector<Seen> seen_;
    int64_t first_line_ = 0;
    size_t lines_ = 0;
    std::vector<size_t> bounds_;
    std::vector<int64_t> leading_, trailing_;
    std::vector<double> step_, starts_;
    double extent_ = 0, middle_ = 0, start_ = 0;
};

}  // namespace

void add_uneven_fits(std::span<const SequenceFrame> frames, const RoughPositions& rough,
                     const GridSteps& steps, const GridWishes& wishes, std::vector<GridFit>& fits) {
    const auto n = static_cast<double>(frames.size());
    if (!steps.rows_seen || !steps.columns_seen || wishes.columns) return;
    constexpr double kAgree = 0.8;
    if (steps.columns_agree > kAgree) return;
    if (!fits.empty() && fits.front().cost < 0.4 * n) return;
    std::vector<std::pair<UnevenRows, GridFit>> starts;
    for (const ShootOrder& order : all_shoot_orders()) {
        if (order.by_column) continue;
        if (wishes.order && shoot_order_text(*wishes.order) != shoot_order_text(order)) continue;
        for (const bool round : {false, true}) {
            // Closed rows have no wide gap; the steepest alone may look closed.
            if (round && rough.widest_gap_deg > 2 * steps.step_right_deg) continue;
            const UnevenRows rows(frames, rough, steps, order, round);
            if (!rows.any()) continue;
            const std::vector<int64_t> lengths = rows.first_lengths();
            if (wishes.rows && static_cast<int64_t>(lengths.size()) != *wishes.rows) continue;
            GridFit fit = rows.fit(lengths);
            starts.emplace_back(rows, std::move(fit));
        }
    }
    std::stable_sort(starts.begin(), starts.end(),
                     [](const auto& a, const auto& b) { return a.second.cost < b.second.cost; });
    // The finer search costs a fit for each line and change; large sets take the best start only.
    constexpr size_t kLarge = 1000;
    const size_t improved = frames.size() > kLarge ? 1 : 4;
    const int rounds = frames.size() > kLarge ? 1 : 4;
    if (starts.size() > improved) {
        starts.erase(starts.begin() + static_cast<std::ptrdiff_t>(improved), starts.end());
    }
    for (auto& [rows, best] : starts) {
        bool better = true;
        for (int round = 0; round < rounds && better; ++round) {
            better = false;
            for (size_t v = 0; v < best.pattern.lengths.size(); ++v) {
                for (const int64_t change : {-1, 1}) {
                    std::vector<int64_t> lengths = best.pattern.lengths;
                    lengths[v] += change;
                    if (lengths[v] < 1) continue;
                    GridFit fit = rows.fit(lengths);
                    if (fit.cost >= best.cost) continue;
                    best = std::move(fit);
                    better = true;
                }
            }
        }
        const auto same = std::find_if(fits.begin(), fits.end(), [&rows = best](const GridFit& f) {
            return same_places(f, rows);
        });
        if (same == fits.end()) fits.push_back(best);
    }
    std::stable_sort(fits.begin(), fits.end(),
                     [](const GridFit& a, const GridFit& b) { return a.cost < b.cost; });
}

}  // namespace broadloom
