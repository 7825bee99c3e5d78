#include "align/level.hpp"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <map>
#include <optional>
#include <utility>

#include "scene/rotation_math.hpp"

namespace broadloom {

namespace {

/// A cylinder bends less of what a wide, flat view shows; above this latitude it stretches things
/// to twice their height and more.
constexpr double kCylinderLeastWidthDeg = 100;
constexpr double kCylinderMostLatitudeDeg = 45;

/// Sum of weighted squares of (u . v): a symmetric matrix.
struct Quadric {
    Matrix3 m{};
    void add(Vec3 v, double weight) {
        const double c[3] = {v.x, v.y, v.z};
        for (size_t i = 0; i < 3; ++i) {
            for (size_t j = 0; j < 3; ++j) m[i][j] += weight * c[i] * c[j];
        }
    }
};

/// The eigenvector of the least eigenvalue.
Vec3 least_axis(const Matrix3& m) {
    Eigen::Matrix3d matrix;
    for (int i = 0; i < 3; ++i) {
        for (int j = 0; j < 3; ++j) {
            matrix(i, j) = m[static_cast<size_t>(i)][static_cast<size_t>(j)];
        }
    }
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix3d> solver(matrix);
    const Eigen::Vector3d v = solver.eigenvectors().col(0);  // eigenvalues stand in rising order
    return {v.x(), v.y(), v.z()};
}

Vec3 camera_right(const Rotation& r) { return {r.m[0][0], r.m[1][0], r.m[2][0]}; }
Vec3 camera_down(const Rotation& r) { return {r.m[0][1], r.m[1][1], r.m[2][1]}; }

using Lines = std::map<int64_t, std::vector<Vec3>>;

/// A column's axes lie in a plane through the vertical: its normal is level.
void add_columns(const Lines& columns, Quadric& quadric) {
    for (const auto& [index, axes] : columns) {
        if (axes.size() < 2) continue;
        Quadric own;
        for (const Vec3& axis : axes) own.add(axis, 1);
        double span = 0;
        for (const Vec3& axis : axes) span = std::max(span, angle_between(axes.front(), axis));
        quadric.add(least_axis(own.m), static_cast<double>(axes.size()) * span * span / 4);
    }
}

/// A row's axes are equally steep: their differences are level.
void add_rows(const Lines& rows, Quadric& quadric) {
    for (const auto& [index, axes] : rows) {
        Vec3 mean;
        for (const Vec3& axis : axes) mean = mean + axis;
        mean = (1.0 / static_cast<double>(axes.size())) * mean;
        for (const Vec3& axis : axes) quadric.add(axis - mean, 1);
    }
}

/// Down for a hand-held set of one view whose cameras were rolled every which way: then their
/// horizontal axes lie all around the view, and the axis least like them is the view itself. The
/// view becomes level, and upright as most of the frames (of equals the first) were held. Nothing
/// when rolls agree or the set looks around.
std::optional<Vec3> down_of_rolled(std::span<const LevelFrame> frames) {
    constexpr double kOneView = 60 * kRadPerDeg;
    constexpr double kAlike = 20 * kRadPerDeg;
    Vec3 view;
    for (const LevelFrame& frame : frames) view = view + frame.rotation.axis();
    if (norm(view) < 1e-6) return std::nullopt;
    view = normalized(view);
    std::vector<Vec3> downs;
    for (const LevelFrame& frame : frames) {
        if (angle_between(frame.rotation.axis(), view) > kOneView) return std::nullopt;
        const Vec3 down = camera_down(frame.rotation);
        const Vec3 across = down - dot(down, view) * view;
        if (norm(across) < 1e-6) return std::nullopt;
        downs.push_back(normalized(across));
    }
    std::optional<Vec3> best;
    size_t most = 0;
    for (const Vec3& own : downs) {
        Vec3 sum;
        size_t count = 0;
        for (const Vec3& other : downs) {
            if (angle_between(own, other) > kAlike) continue;
            sum = sum + other;
            ++count;
        }
        if (count > most) {
            most = count;
            best = normalized(sum);
        }
    }
    // A few frames held askew among others are no reason to give up the horizon.
    if (most * 4 >= downs.size() * 3) return std::nullopt;
    return best;
}

/// Which way is down, unit length.
Vec3 find_down(std::span<const LevelFrame> frames) {
    Lines rows;
    Lines columns;
    bool grid = true;
    Vec3 down;
    for (const LevelFrame& frame : frames) {
        grid = grid && frame.row && frame.column;
        down = down + camera_down(frame.rotation);
        if (!frame.row || !frame.column) continue;
        rows[*frame.row].push_back(frame.rotation.axis());
        columns[*frame.column].push_back(frame.rotation.axis());
    }
    if (!grid) {
        if (const auto rolled = down_of_rolled(frames)) return *rolled;
    }
    Quadric quadric;
    const bool wide = grid && columns.size() > 2;
    // The camera may sit askew on the head; where rows tell of the head itself they count more.
    for (const LevelFrame& frame : frames) {
        quadric.add(camera_right(frame.rotation), wide ? 0.01 : 1);
    }
    if (grid) add_columns(columns, quadric);
    if (wide) add_rows(rows, quadric);
    // Cameras that all look one way say little of how steeply: then the vertical stays as it is.
    // The weight is that of 0.3 degrees of roll against 3 degrees of tilt.
    quadric.add({1, 0, 0}, 0.01);
    quadric.add({0, 0, 1}, 0.01);
    const Vec3 axis = least_axis(quadric.m);
    return dot(axis, down) < 0 ? -1.0 * axis : axis;
}

double latitude_deg(Vec3 d) { return std::atan2(-d.y, std::hypot(d.x, d.z)) * kDegPerRad; }
double longitude_deg(Vec3 d) { return std::atan2(d.x, d.z) * kDegPerRad; }

/// The arc outside the widest gap between longitudes: its start and its width, degrees.
std::pair<double, double> covered_arc(std::vector<double> longitudes) {
    std::sort(longitudes.begin(), longitudes.end());
    double widest = 360 + longitudes.front() - longitudes.back();
    double start = longitudes.front();
    for (size_t i = 1; i < longitudes.size(); ++i) {
        if (longitudes[i] - longitudes[i - 1] > widest) {
            widest = longitudes[i] - longitudes[i - 1];
            start = longitudes[i];
        }
    }
    return {start, 360 - widest};
}

/// The yaw at the middle of the set. A closed ring has no middle: there it is that of the middle
/// column, or of the first frame.
double middle_yaw_deg(std::span<const LevelFrame> frames, const Rotation& levelled) {
    std::vector<double> yaws;
    std::map<int64_t, Vec3> columns;
    for (const LevelFrame& frame : frames) {
        const Vec3 axis = levelled.to_world(frame.rotation.axis());
        if (std::hypot(axis.x, axis.z) < 1e-6) continue;
        yaws.push_back(longitude_deg(axis));
        if (frame.column) {
            columns[*frame.column] = columns[*frame.column] + normalized({axis.x, 0, axis.z});
        }
    }
    if (yaws.empty()) return 0;
    const auto [start, width] = covered_arc(yaws);
    const double step = width / static_cast<double>(std::max<size_t>(1, yaws.size() - 1));
    if (360 - width > std::max(60.0, 2 * step)) return start + width / 2;
    if (columns.empty()) return yaws.front();
    auto middle = columns.begin();
    std::advance(middle, static_cast<std::ptrdiff_t>(columns.size() / 2));
    return longitude_deg(middle->second);
}

}  // namespace

Rotation level_set(std::span<const LevelFrame> frames, double level_deg) {
    Rotation level;
    if (!frames.empty()) {
        const Vec3 down = find_down(frames);
        const Vec3 axis = cross(down, {0, 1, 0});
        const double sine = norm(axis);
        if (sine > 0) {
            level = rotation_exp((std::atan2(sine, down.y) / sine) * axis);
        } else if (down.y < 0) {
            level = rotation_exp({kPi, 0, 0});
        }
        level = Rotation::from_yaw_pitch_roll_deg(-middle_yaw_deg(frames, level), 0, 0) * level;
    }
    return orthonormalised(Rotation::from_yaw_pitch_roll_deg(0, 0, level_deg) * level);
}

YawPitchRoll yaw_pitch_roll(const Rotation& rotation) {
    const auto& m = rotation.m;
    YawPitchRoll out;
    const double level = std::hypot(m[0][2], m[2][2]);
    out.pitch_deg = std::atan2(-m[1][2], level) * kDegPerRad;
    if (level > 1e-9) {
        out.yaw_deg = std::atan2(m[0][2], m[2][2]) * kDegPerRad;
        out.roll_deg = std::atan2(m[1][0], m[1][1]) * kDegPerRad;
    } else {
        // Straight up or down yaw and roll turn about one axis: all of it is called yaw.
        out.yaw_deg = std::atan2(-m[2][0], m[0][0]) * kDegPerRad;
    }
    if (out.yaw_deg <= -180) out.yaw_deg += 360;
    if (out.roll_deg <= -180) out.roll_deg += 360;
    return out;
}

Surface choose_surface(std::span<const LevelFrame> frames, std::span<const Camera> camera_of_frame,
                       std::string& reason) {
    // The border of every frame, at enough points to find the extremes to a degree.
    constexpr int kSteps = 8;
    std::vector<double> longitudes;
    double top = -90;
    double bottom = 90;
    for (size_t i = 0; i < frames.size(); ++i) {
        const Lens lens(camera_of_frame[i]);
        const auto w = static_cast<double>(camera_of_frame[i].width);
        const auto h = static_cast<double>(camera_of_frame[i].height);
        for (int y = 0; y <= kSteps; ++y) {
            for (int x = 0; x <= kSteps; ++x) {
                const auto ab = lens.undistort({w * x / kSteps, h * y / kSteps});
                if (!ab) continue;
                const Vec3 d = frames[i].rotation.to_world({ab->x, ab->y, 1});
                longitudes.push_back(longitude_deg(d));
                top = std::max(top, latitude_deg(d));
                bottom = std::min(bottom, latitude_deg(d));
            }
        }
    }
    if (longitudes.empty()) {
        reason = "a sphere, since no frame has a place yet";
        return Surface::sphere;
    }
    const double width = covered_arc(std::move(longitudes)).second;
    const auto whole = [](double value) { return std::to_string(std::lround(value)); };
    const std::string extent = "the set is " + whole(width) + " degrees wide and reaches from " +
                               whole(bottom) + " to " + whole(top) + " degrees above the horizon";
    if (width > kCylinderLeastWidthDeg && top < kCylinderMostLatitudeDeg &&
        bottom > -kCylinderMostLatitudeDeg) {
        reason = "a cylinder, since " + extent +
                 ": wide and near the horizon, where it keeps heights as the eye sees them";
        return Surface::cylinder;
    }
    reason = "a sphere, since " + extent +
             (width > kCylinderLeastWidthDeg ? ": a cylinder would stretch what is far from the "
                                               "horizon"
                                             : ": a cylinder is for wide sets");
    return Surface::sphere;
}

}  // namespace broadloom
