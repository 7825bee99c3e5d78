#include "gather/arrangement.hpp"

#include <algorithm>
#include <cmath>
#include <functional>
#include <set>

#include "base/median.hpp"
#include "broadloom/rotation.hpp"
#include "gather/grid_angles.hpp"
#include "gather/grid_search.hpp"
#include "gather/grid_steps.hpp"
#include "gather/order_pattern.hpp"
#include "gather/retakes.hpp"
#include "gather/rough_positions.hpp"
#include "gather/uneven_rows.hpp"

namespace broadloom {
namespace {

// Two explanations that cost about the same are no explanation.
constexpr double kMargin = 2;
// Frames cost this much each where the sequence follows no pattern at all.
constexpr double kNoPattern = 1;
// Wrong matches are few: more frames than this share away from their cells mean wrong cells.
constexpr double kMostMisplaced = 0.12;

/// How far the pause before each frame is unusual: a head that is stepped back by hand takes time.
std::vector<double> pauses(const std::vector<std::optional<double>>& times_s, size_t frames) {
    std::vector<double> unusual(frames);
    std::vector<double> intervals;
    const auto interval = [&](size_t i) -> std::optional<double> {
        if (i == 0 || i >= times_s.size() || !times_s[i] || !times_s[i - 1]) return std::nullopt;
        return *times_s[i] - *times_s[i - 1];
    };
    for (size_t i = 1; i < frames; ++i) {
        if (const auto t = interval(i)) intervals.push_back(*t);
    }
    if (intervals.size() < 4) return unusual;
    const double usual = upper_median(std::move(intervals));
    if (usual <= 0) return unusual;
    for (size_t i = 1; i < frames; ++i) {
        if (const auto t = interval(i)) {
            unusual[i] = std::clamp(*t / usual / 1.5 - 1, 0.0, 1.0);
        }
    }
    return unusual;
}

std::string size_text(const OrderPattern& pattern) {
    const std::vector<int64_t> columns = pattern.columns();
    const auto [low, high] = std::minmax_element(columns.begin(), columns.end());
    std::string text = std::to_string(pattern.rows()) + " x ";
    text += *low == *high ? std::to_string(*low)
                          : std::to_string(*low) + " to " + std::to_string(*high);
    return text;
}

/// Is a fit worse than the aim errors that the columns show? Then steps back and wrong matches may
/// have been called in to explain a wrong grid.
bool fits_badly(const GridFit& fit, const GridSteps& steps, double seen) {
    const std::vector<int64_t> columns = fit.pattern.columns();
    const bool even =
        std::adjacent_find(columns.begin(), columns.end(), std::not_equal_to<>()) == columns.end();
    // Measured on made-up shoots: right fits stay below 0.07 a frame, wrong ones above 0.35.
    constexpr double kUneven = 0.25;
    // A head does not begin amid its grid and come to the first cell by a step back.
    if (fit.cell.front() != 0 && std::find(fit.cell.begin(), fit.cell.end(), 0) != fit.cell.end()) {
        return true;
    }
    if (!even) return fit.cost > kUneven * seen + 6;
    // A normal spread of s steps leaves exp(-2 pi^2 s^2) of the regularity.
    const double ratio = steps.step_right_deg / steps.step_up_deg;
    const double spread =
        -std::log(std::max(steps.columns_agree, 0.2)) / (2 * kPi * kPi) * (1 + ratio * ratio);
    constexpr double kWorse = 2.5;
    constexpr double kFree = 0.1;  // a frame
    return fit.aim_cost > (kFree + kWorse * misplacement_cost(std::sqrt(spread), 0)) * seen + 4;
}

std::string counted(size_t n, const std::string& one, const std::string& many) {
    return std::to_string(n) + " " + (n == 1 ? one : many);
}

void none_has_a_cell(size_t frames, Arrangement& out) {
    out.frames.assign(frames, Placement{});
    out.without_cell.clear();
    for (size_t i = 0; i < frames; ++i) out.without_cell.push_back(i);
}

/// Which of the options would tell two fits apart.
std::string difference(const GridFit& a, const GridFit& b) {
    const bool other_rows = a.pattern.rows() != b.pattern.rows();
    const bool other_columns = a.pattern.columns() != b.pattern.columns();
    if (!other_rows && !other_columns &&
        shoot_order_text(a.pattern.order) == shoot_order_text(b.pattern.order)) {
        return "several cells of the " + size_text(a.pattern) +
               " grid may be the ones without a frame: correct --rows and --columns or leave them "
               "away";
    }
    if (!other_rows && !other_columns) {
        return "the order of capture may be \"" + shoot_order_text(a.pattern.order) + "\" or \"" +
               shoot_order_text(b.pattern.order) + "\": give it with --order";
    }
    return "the grid may be " + size_text(a.pattern) + " or " + size_text(b.pattern) +
           " rows x columns: give " + (other_rows ? "--rows" : "--columns") +
           (a.pattern.order.by_column == b.pattern.order.by_column ? "" : " and --order");
}

void fill_cells(const GridFit& fit, std::span<const SequenceFrame> frames, Arrangement& out) {
    const std::vector<PatternCell> cells = fit.pattern.sequence();
    std::vector<bool> filled(cells.size());
    for (size_t i = 0; i < frames.size(); ++i) {
        const auto k = static_cast<size_t>(fit.cell[i]);
        const auto [row, column] = fit.pattern.row_and_column(cells[k]);
        out.frames[i].row = row;
        out.frames[i].column = column;
        filled[k] = true;
    }
    for (size_t k = 0; k < cells.size(); ++k) {
        if (!filled[k]) out.empty_cells.push_back(fit.pattern.row_and_column(cells[k]));
    }
    std::sort(out.empty_cells.begin(), out.empty_cells.end());
}

std::string hole_problem(const Arrangement& out, const OrderPattern& pattern, size_t frames) {
    std::set<std::pair<int64_t, int64_t>> used;
    for (const Placement& p : out.frames) {
        if (p.row && p.column) used.insert({*p.row, *p.column});
    }
    std::string text =
        counted(out.empty_cells.size(), "cell of the grid of ", "cells of the grid of ") +
        size_text(pattern) + (out.empty_cells.size() == 1 ? " has" : " have") + " no frame (" +
        counted(frames, "frame fills ", "frames fill ") + std::to_string(used.size()) + " of " +
        std::to_string(pattern.cells()) + " cells)";
    // A hole among frames that only the sequence places could be any of theirs.
    bool vague = false;
    for (const auto& [row, column] : out.empty_cells) {
        for (const Placement& p : out.frames) {
            if (!p.row || !p.by_sequence) continue;
            const int64_t away = std::abs(*p.row - row) + std::abs(*p.column - column);
            vague = vague || away == 1;
        }
    }
    if (vague) text += "; next to frames without matches it may be another cell of theirs";
    return text +
           ": add the missing frames, correct --rows, --columns or --order if they are wrong, or "
           "go "
           "on with the holes by --allow-gaps";
}

}  // namespace

Arrangement arrange(const ArrangementInput& input) {
    Arrangement out;
    out.frames.resize(input.frames);
    if (input.frames == 0) {
        out.problem = "there are no frames: give a folder that holds some";
        return out;
    }
    const RoughPositions rough =
        rough_positions(input.frames, input.displacements, input.width_deg, input.height_deg);
    const GridSteps steps =
        grid_steps(rough, input.displacements, input.width_deg, input.height_deg);
    const std::vector<double> unusual = pauses(input.times_s, input.frames);
    std::vector<SequenceFrame> frames(input.frames);
    for (size_t i = 0; i < frames.size(); ++i) {
        frames[i] = {rough.component[i], steps.at[i], unusual[i]};
    }
    GridWishes wishes{input.rows, input.columns, input.order};
    if (input.frames == 1) {
        wishes.rows = wishes.rows.value_or(1);
        wishes.columns = wishes.columns.value_or(1);
        wishes.order = wishes.order.value_or(ShootOrder{});
    }
    std::vector<GridFit> fits = search_grids(frames, rough.components, steps, wishes);
    add_uneven_fits(frames, rough, steps, wishes, fits);
    if (fits.empty()) {
        out.problem =
            rough.components > 0
                ? "no grid with the given --rows and --columns fits the frames: correct them or "
                  "leave them away"
                : "no two frames could be matched, so nothing shows how many frames a row or "
                  "column holds: give --rows, --columns and --order";
        none_has_a_cell(input.frames, out);
        return out;
    }
    const GridFit& best = fits.front();
    const auto cells = best.pattern.cells();
    const auto misplaced =
        static_cast<double>(std::count(best.misplaced.begin(), best.misplaced.end(), true));
    const auto seen = static_cast<double>(std::count_if(
        rough.component.begin(), rough.component.end(), [](int c) { return c >= 0; }));
    if (fits_badly(best, steps, seen)) {
        out.problem =
            "the likeliest grid, of " + size_text(best.pattern) +
            " rows x columns, explains the matches badly: give --rows, --columns and --order";
        none_has_a_cell(input.frames, out);
        return out;
    }
    if (best.cost > kNoPattern * static_cast<double>(input.frames) + 20 ||
        misplaced > std::max(2.0, kMostMisplaced * seen)) {
        out.problem =
            "the frames follow no rows and columns in the order of their capture: check that the "
            "times or names tell that order, or give --rows, --columns and --order";
        none_has_a_cell(input.frames, out);
        return out;
    }
    if (fits.size() > 1 && fits[1].cost < best.cost + kMargin) {
        out.problem =
            "matches between the frames do not decide how they lie: " + difference(best, fits[1]);
        none_has_a_cell(input.frames, out);
        return out;
    }
    out.rows = best.pattern.rows();
    out.columns = best.pattern.columns();
    out.order = best.pattern.order;
    if (rough.components == 0 && static_cast<int64_t>(input.frames) > cells) {
        // Repeats that nothing shows would be guessed.
        out.problem = counted(input.frames, "frame", "frames") + " for " + size_text(best.pattern) +
                      " cells, and no matches show which are retakes: remove the spoilt frames or "
                      "correct --rows and --columns";
        none_has_a_cell(input.frames, out);
        return out;
    }
    fill_cells(best, frames, out);
    set_angles(best, rough, steps, input.width_deg, out);
    choose_takes(input.sharpness, out.frames);
    out.complete = out.empty_cells.empty() || input.allow_gaps;
    if (!out.empty_cells.empty()) out.problem = hole_problem(out, best.pattern, input.frames);
    return out;
}

}  // namespace broadloom
