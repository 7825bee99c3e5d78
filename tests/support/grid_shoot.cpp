#include "support/grid_shoot.hpp"

#include <algorithm>
#include <cmath>
#include <random>

#include "broadloom/rotation.hpp"

namespace broadloom::testing {
namespace {

/// The cells of the grid in shooting order, written out plainly from the words of the order.
std::vector<std::pair<int64_t, int64_t>> walk_of(const GridShoot& s) {
    const auto rows = static_cast<int64_t>(s.columns.size());
    const ShootOrder& o = s.order;
    std::vector<std::pair<int64_t, int64_t>> cells;
    const int64_t lines = o.by_column ? s.columns.front() : rows;
    for (int64_t n = 0; n < lines; ++n) {
        const bool turned = o.back_and_forth && n % 2 == 1;
        if (o.by_column) {
            const int64_t column = o.right ? n : lines - 1 - n;
            for (int64_t k = 0; k < rows; ++k) {
                const bool downwards = o.down != turned;
                cells.emplace_back(downwards ? k : rows - 1 - k, column);
            }
        } else {
            const int64_t row = o.down ? n : lines - 1 - n;
            const int64_t columns = s.columns[static_cast<size_t>(row)];
            for (int64_t k = 0; k < columns; ++k) {
                const bool rightwards = o.right != turned;
                cells.emplace_back(row, rightwards ? k : columns - 1 - k);
            }
        }
    }
    return cells;
}

}  // namespace

std::vector<int64_t> even_columns(int64_t rows, int64_t columns) {
    return std::vector<int64_t>(static_cast<size_t>(rows), columns);
}

MadeShoot make_grid_shoot(const GridShoot& s) {
    std::mt19937_64 random(s.seed);
    const auto uniform = [&] { return static_cast<double>(random() >> 11U) * 0x1p-53; };
    const auto normal = [&] {
        return std::sqrt(-2 * std::log(1 - uniform())) * std::cos(2 * kPi * uniform());
    };
    const auto rows = static_cast<int64_t>(s.columns.size());
    const double step_up = (1 - s.overlap) * s.height_deg;
    const int64_t most = *std::max_element(s.columns.begin(), s.columns.end());
    // The widest row sets the extent, with the wanted overlap at its own pitch.
    double extent = 0;
    const auto pitch_of = [&](int64_t row) {
        return s.top_pitch_deg +
               step_up * (0.5 * static_cast<double>(rows - 1) - static_cast<double>(row));
    };
    double step_right = (1 - s.overlap) * s.width_deg;
    for (int64_t r = 0; r < rows; ++r) {
        if (s.columns[static_cast<size_t>(r)] != most) continue;
        extent = std::max(extent, static_cast<double>(most - 1) * step_right /
                                      std::cos(pitch_of(r) * kRadPerDeg));
        break;
    }
    if (s.round) step_right = 360.0 / static_cast<double>(most);
    const bool even =
        std::all_of(s.columns.begin(), s.columns.end(), [&](int64_t c) { return c == most; });
    const auto yaw_of = [&](int64_t row, int64_t column) {
        const auto count = static_cast<double>(s.columns[static_cast<size_t>(row)]);
        const auto at = static_cast<double>(column);
        if (s.round) return 360 / count * at;
        if (even) return step_right * (at - 0.5 * (count - 1));
        return count > 1 ? extent * (at / (count - 1) - 0.5) : 0;
    };
    const auto cells = walk_of(s);
    // Which cells are visited, and after how long a pause.
    std::vector<size_t> visits;
    std::vector<double> times;
    double clock = 0;
    size_t next_back = 0;
    bool stepped_back = false;
    for (size_t k = 0; k < cells.size(); ++k) {
        if (std::find(s.missing.begin(), s.missing.end(), static_cast<int64_t>(k)) !=
            s.missing.end()) {
            continue;
        }
        clock += stepped_back ? 9 : 2 + 0.3 * uniform();
        stepped_back = false;
        visits.push_back(k);
        times.push_back(clock);
        if (next_back < s.step_backs.size() &&
            s.step_backs[next_back].after == static_cast<int64_t>(k)) {
            k -= static_cast<size_t>(s.step_backs[next_back].frames);
            stepped_back = true;
            ++next_back;
        }
    }
    MadeShoot made;
    ArrangementInput& in = made.input;
    in.frames = visits.size();
    in.width_deg = s.width_deg * (1 + s.view_error);
    in.height_deg = s.height_deg * (1 + s.view_error);
    std::vector<Rotation> aims;
    std::vector<double> pitches;
    for (size_t i = 0; i < visits.size(); ++i) {
        const auto [row, column] = cells[visits[i]];
        const bool listed =
            std::find(s.plain_rows.begin(), s.plain_rows.end(), row) != s.plain_rows.end() ||
            std::find(s.plain_columns.begin(), s.plain_columns.end(), column) !=
                s.plain_columns.end();
        const bool plain = listed || uniform() < s.plain_share;
        made.truth.push_back({row, column, yaw_of(row, column), pitch_of(row), plain});
        // Gears have play: runs in opposite directions stop a little apart.
        const bool up = i > 0 && row < cells[visits[i - 1]].first;
        pitches.push_back(pitch_of(row) + s.aim_deg * normal() + (up ? s.backlash_deg : 0));
        aims.push_back(Rotation::from_yaw_pitch_roll_deg(yaw_of(row, column) + s.aim_deg * normal(),
                                                         pitches.back(), 0.3 * normal()));
        in.times_s.emplace_back(times[i]);
        in.sharpness.push_back(1 + 0.05 * uniform());
    }
    for (size_t a = 0; a < visits.size(); ++a) {
        for (size_t b = a + 1; b < visits.size(); ++b) {
            if (made.truth[a].plain || made.truth[b].plain) continue;
            const auto [row_a, column_a] = cells[visits[a]];
            const auto [row_b, column_b] = cells[visits[b]];
            const bool same_line = s.order.by_column ? column_a == column_b : row_a == row_b;
            if (!s.across_lines && !same_line) continue;
            const Vec3 seen = aims[a].to_camera(aims[b].axis());
            Displacement d;
            d.a = a;
            d.b = b;
            d.right_deg = std::atan2(seen.x, seen.z) * kDegPerRad;
            d.up_deg = std::asin(std::clamp(-seen.y, -1.0, 1.0)) * kDegPerRad;
            const double common_x = 1 - std::abs(d.right_deg) / s.width_deg;
            const double common_y = 1 - std::abs(d.up_deg) / s.height_deg;
            if (seen.z < 0 || common_x <= 0 || common_y <= 0) continue;
            // Corners that hardly meet are seldom matched, sides nearly always.
            if (common_x * common_y < 0.05 || uniform() < 0.05) continue;
            d.weight = std::round(400 * common_x * common_y);
            if (uniform() < s.wrong_share) {
                // A façade repeats: off by whole windows.
                d.right_deg += s.width_deg * (uniform() < 0.5 ? -1 : 1) * (0.2 + 0.4 * uniform());
                d.up_deg += s.height_deg * (uniform() - 0.5) * 0.6;
            }
            d.right_deg = d.right_deg * (1 + s.view_error) + 0.05 * normal();
            d.up_deg = d.up_deg * (1 + s.view_error) + 0.05 * normal();
            in.displacements.push_back(d);
        }
    }
    return made;
}

}  // namespace broadloom::testing
