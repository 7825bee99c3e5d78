#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
#include <map>
#include <stdexcept>

#include "broadloom/camera.hpp"
#include "support/card_shoot.hpp"
#include "support/world_noise.hpp"

namespace broadloom::test {

namespace {

constexpr int64_t kStepSeconds = 3, kTurnSeconds = 8, kPauseSeconds = 17;

struct Grid {
    double step_x = 0, step_y = 0;  // degrees
};

double focal_px(const CardOptions& o) {
    return 0.5 * static_cast<double>(o.width) / std::tan(0.5 * o.field_of_view_deg * kRadPerDeg);
}

Grid grid_of(const CardOptions& o) {
    const double fov_y =
        2 * std::atan(0.5 * static_cast<double>(o.height) / focal_px(o)) * kDegPerRad;
    return {o.all_round ? 360.0 / static_cast<double>(o.columns)
                        : o.field_of_view_deg * (1 - o.overlap),
            fov_y * (1 - o.overlap)};
}

/// Yaw and pitch of a cell as the head means to go to it.
Vec2 aim_of(const CardOptions& o, const Grid& g, int64_t row, int64_t column) {
    return {(static_cast<double>(column) - 0.5 * static_cast<double>(o.columns - 1)) * g.step_x,
            o.middle_pitch_deg -
                (static_cast<double>(row) - 0.5 * static_cast<double>(o.rows - 1)) * g.step_y};
}

/// The smooth cells lie in patches, most of them at the top, as sky and still water do.
std::vector<std::array<int64_t, 2>> choose_smooth(const CardOptions& o) {
    struct Scored {
        double score;
        std::array<int64_t, 2> cell;
    };
    std::vector<Scored> cells;
    for (int64_t r = 0; r < o.rows; ++r) {
        for (int64_t c = 0; c < o.columns; ++c) {
            const double down =
                static_cast<double>(r) / static_cast<double>(std::max<int64_t>(1, o.rows - 1));
            const double patch = noise2(static_cast<double>(c) / 2.7 + 0.37,
                                        static_cast<double>(r) / 2.3 + 0.21, 900 + o.seed);
            cells.push_back({down + 0.9 * patch, {r, c}});
        }
    }
    std::stable_sort(cells.begin(), cells.end(),
                     [](const Scored& a, const Scored& b) { return a.score < b.score; });
    const auto count = static_cast<size_t>(
        std::lround(o.textureless_share * static_cast<double>(o.rows * o.columns)));
    std::vector<std::array<int64_t, 2>> chosen;
    for (size_t i = 0; i < std::min(count, cells.size()); ++i) chosen.push_back(cells[i].cell);
    std::sort(chosen.begin(), chosen.end());
    return chosen;
}

/// Places of the cells' order, a number for every take.
std::vector<size_t> takes_in_order(size_t cells, const std::vector<CardRetake>& retakes) {
    std::map<size_t, size_t> back;
    for (const CardRetake& r : retakes) {
        if (r.place >= cells || r.back < 1 || r.back > r.place + 1)
            throw std::runtime_error("a retake reaches beyond the card");
        back[r.place] = r.back;
    }
    std::vector<size_t> takes;
    for (size_t place = 0; place < cells; ++place) {
        takes.push_back(place);
        const auto at = back.find(place);
        if (at == back.end()) continue;
        for (size_t i = place + 1 - at->second; i <= place; ++i) takes.push_back(i);
    }
    return takes;
}

/// Names in a random order, like those of files that were renamed.
std::vector<std::string> names(size_t count, bool shuffled, uint32_t seed) {
    std::vector<std::string> out;
    for (size_t i = 0; i < count; ++i) {
        char text[40];
        std::snprintf(text, sizeof text, "card/%04zu.jpg", i + 1);
        out.emplace_back(text);
    }
    for (size_t i = count; shuffled && i > 1; --i) {
        const size_t j = hash_of(static_cast<int64_t>(i), seed, 61) % i;
        std::swap(out[i - 1], out[j]);
    }
    return out;
}

}  // namespace

double card_pixel_deg(const CardOptions& options) { return kDegPerRad / focal_px(options); }

std::vector<std::array<int64_t, 2>> cells_in_order(int64_t rows, int64_t columns,
                                                   const ShootOrder& order) {
    std::vector<std::array<int64_t, 2>> cells;
    const int64_t legs = order.by_column ? columns : rows;
    const int64_t steps = order.by_column ? rows : columns;
    for (int64_t leg = 0; leg < legs; ++leg) {
        for (int64_t step = 0; step < steps; ++step) {
            const bool returning = order.back_and_forth && leg % 2 == 1;
            int64_t r = order.by_column ? step : leg;
            int64_t c = order.by_column ? leg : step;
            if (order.down == (order.by_column && returning)) r = rows - 1 - r;
            if (order.right == (!order.by_column && returning)) c = columns - 1 - c;
            cells.push_back({r, c});
        }
    }
    return cells;
}

Card plan_card(const CardOptions& o) {
    Card card;
    card.options = o;
    card.smooth_cells = choose_smooth(o);
    Camera camera;
    camera.width = o.width;
    camera.height = o.height;
    camera.focal_px = focal_px(o);
    camera.principal_point_px = o.principal_point_px;
    camera.radial = o.radial;
    camera.vignetting = o.vignetting;
    card.truth.cameras["main"] = camera;
    card.truth.title = "Made-up card";

    const Grid grid = grid_of(o);
    const auto cells = cells_in_order(o.rows, o.columns, o.order);
    const auto takes = takes_in_order(cells.size(), o.retakes);
    const auto files = names(takes.size(), o.shuffled_names, o.seed);
    const auto steps = static_cast<size_t>(o.order.by_column ? o.rows : o.columns);
    int64_t seconds = 0;
    for (size_t i = 0; i < takes.size(); ++i) {
        const auto [row, column] = cells[takes[i]];
        const auto n = static_cast<int64_t>(i);
        const auto spread = [&](int64_t salt) {
            return 2 * random_unit(n, salt, 7000 + static_cast<int64_t>(o.seed)) - 1;
        };
        const bool stepped_back = i > 0 && takes[i] <= takes[i - 1];
        if (i > 0) seconds += kStepSeconds;
        if (i > 0 && takes[i] / steps != takes[i - 1] / steps) seconds += kTurnSeconds;
        if (stepped_back) seconds += kPauseSeconds;

        CardFrame c;
        c.file = files[i];
        c.row = row;
        c.column = column;
        c.retaken = std::find(takes.begin() + n + 1, takes.end(), takes[i]) != takes.end();
        c.spoilt = i + 1 < takes.size() && takes[i + 1] <= takes[i];
        c.seconds = seconds;

        Frame f;
        f.file = c.file;
        f.camera = "main";
        f.row = row;
        f.column = column;
        f.placed_by = "hand";
        const Vec2 aim = aim_of(o, grid, row, column);
        const bool returning = o.order.back_and_forth && takes[i] / steps % 2 == 1;
        const double slack = returning ? o.backlash_deg : 0;
        f.yaw_deg = aim.x + o.aim_error_deg * spread(1) + (o.order.by_column ? 0 : slack);
        f.pitch_deg = aim.y + o.aim_error_deg * spread(2) + (o.order.by_column ? slack : 0);
        f.roll_deg = o.roll_error_deg * spread(3);
        const double t =
            takes.size() > 1 ? static_cast<double>(i) / static_cast<double>(takes.size() - 1) : 0;
        const double drift = o.gain_drift_stops *
                             (0.5 - 0.5 * std::cos(kPi * t) + 0.12 * std::sin(2 * kPi * 2.5 * t));
        const double stops = 0.5 * o.gain_spread_stops;
        const double own = drift + 0.9 * stops * spread(4);
        for (size_t k = 0; k < 3; ++k)
            f.gain[k] = std::exp2(own + 0.1 * stops * spread(5 + static_cast<int64_t>(k)));
        f.use = !c.retaken;
        if (c.retaken) f.reason = c.spoilt ? "spoilt and taken again" : "taken again";
        card.truth.frames.push_back(f);
        card.frames.push_back(c);
    }

    const Lens lens(camera);
    for (size_t i = 0; i < card.frames.size() && !card.smooth_cells.empty(); ++i) {
        const Frame& f = card.truth.frames[i];
        const Rotation rotation =
            Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg);
        double least = 1;
        for (int k = 0; k < 15 * 15 && least > 0.99; ++k) {
            const auto ab =
                lens.undistort({0.5 + (static_cast<double>(o.width) - 1) * (k % 15) / 14.0,
                                0.5 + (static_cast<double>(o.height) - 1) * (k / 15) / 14.0});
            if (ab) least = std::min(least, smoothness(card, rotation.to_world({ab->x, ab->y, 1})));
        }
        card.frames[i].textureless = least > 0.99 && !card.frames[i].spoilt;
    }
    return card;
}

double smoothness(const Card& card, Vec3 direction) {
    const CardOptions& o = card.options;
    const double f = focal_px(o);
    const Grid grid = grid_of(o);
    const double half_x = 0.5 * static_cast<double>(o.width) / f;
    const double half_y = 0.5 * static_cast<double>(o.height) / f;
    const double corner = std::hypot(half_x, half_y);
    // What aim and roll may add to a frame's view, and the lens.
    const double pad = 1.5 * (o.aim_error_deg + std::abs(o.backlash_deg)) * kRadPerDeg +
                       corner * (o.roll_error_deg * kRadPerDeg + 0.01 +
                                 1.5 * std::abs(o.radial[0]) * corner * corner);
    const double fade = 0.12 * half_x;
    double most = 0;
    for (const auto& [row, column] : card.smooth_cells) {
        const Vec2 aim = aim_of(o, grid, row, column);
        const Vec3 d = Rotation::from_yaw_pitch_roll_deg(aim.x, aim.y, 0).to_camera(direction);
        if (d.z <= 0) continue;
        const double beyond = std::max(std::abs(d.x) / d.z - half_x, std::abs(d.y) / d.z - half_y);
        most = std::max(most, smoothstep(pad + fade, pad, beyond));
    }
    return most;
}

double picture_scale(const Card& card, const Picture& picture) {
    const Lens lens(card.truth.cameras.at("main"));
    const CardOptions& o = card.options;
    double widest = 0;
    double highest = 0;
    for (const Frame& f : card.truth.frames) {
        const Rotation rotation =
            Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg);
        for (int k = 0; k < 21 * 21; ++k) {
            const auto ab = lens.undistort({static_cast<double>(o.width) * (k % 21) / 20.0,
                                            static_cast<double>(o.height) * (k / 21) / 20.0});
            if (!ab) continue;
            const Vec3 d = normalized(rotation.to_world({ab->x, ab->y, 1}));
            widest = std::max(widest, std::abs(std::atan2(d.x, d.z)) * kDegPerRad);
            highest = std::max(highest, std::abs(std::asin(d.y)) * kDegPerRad);
        }
    }
    // Two pixels for the sampler.
    return std::min((0.5 * static_cast<double>(picture.width) - 2) / widest,
                    (0.5 * static_cast<double>(picture.height) - 2) / highest);
}

}  // namespace broadloom::test
