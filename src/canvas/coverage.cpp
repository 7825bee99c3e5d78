#include "canvas/coverage.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <optional>

namespace broadloom {

namespace {

/// Samples on each side of a frame. Between neighbours the outline bends by thousandths of a pixel;
/// its turning points are refined besides.
constexpr int kSideSamples = 160;
/// Samples of a whole circle (the fold's edge, a cylinder's limit).
constexpr int kCircleSamples = 1440;
/// Gaps of longitude below this are rounding noise.
constexpr double kTouchingDeg = 1e-9;

double turned_positive(double deg) {
    double r = std::fmod(deg, 360.0);
    if (r < 0) r += 360;
    return r < 360 ? r : 0;
}

/// The difference of longitudes the short way round.
double short_way(double from_deg, double to_deg) {
    return std::remainder(to_deg - from_deg, 360.0);
}

struct LonLat {
    double lon = 0, lat = 0;
};

LonLat lon_lat_deg(Vec3 d) {
    return {std::atan2(d.x, d.z) * kDegPerRad, std::atan2(-d.y, std::hypot(d.x, d.z)) * kDegPerRad};
}

/// A piece of a view's outline: camera-space directions over a parameter.
struct Piece {
    std::vector<double> at;       ///< ascending
    std::vector<Vec3> direction;  ///< at each of them
    bool on_fold = false;         ///< a piece of the fold's circle (parameter: angle)
    int side = 0;                 ///< else a side of the frame (parameter: 0..1 along it)
};

/// The outline of what a camera sees, shared by all of its frames.
class Outline {
  public:
    explicit Outline(const Lens& lens) : lens_(lens) {
        for (int side = 0; side < 4; ++side) trace({{}, {}, false, side}, 0, 1, kSideSamples);
        // Where the lens folds back inside the frame, the fold's circle bounds the view.
        if (std::isfinite(lens.fold_radius())) {
            trace({{}, {}, true, 0}, 0, 2 * kPi, kCircleSamples);
        }
    }

    [[nodiscard]] const std::vector<Piece>& pieces() const { return pieces_; }

    /// A point of the outline; nullopt where this piece of it is not in view.
    [[nodiscard]] std::optional<Vec3> point(const Piece& piece, double at) const {
        const auto w = static_cast<double>(lens_.camera().width);
        const auto h = static_cast<double>(lens_.camera().height);
        if (piece.on_fold) {
            const double r = lens_.fold_radius() * (1 - 1e-12);
            const Vec3 d{r * std::cos(at), r * std::sin(at), 1};
            if (!lens_.in_view(d)) return std::nullopt;
            return d;
        }
        const double x = 0.5 + at * (w - 1);
        const double y = 0.5 + at * (h - 1);
        const Vec2 pixel = piece.side == 0   ? Vec2{x, 0.5}
                           : piece.side == 1 ? Vec2{w - 0.5, y}
                           : piece.side == 2 ? Vec2{x, h - 0.5}
                                             : Vec2{0.5, y};
        const std::optional<Vec2> ab = lens_.undistort(pixel);
        if (!ab) return std::nullopt;
        return Vec3{ab->x, ab->y, 1};
    }

  private:
    /// Adds the parts of a piece that are in view, with their ends found by bisection.
    void trace(const Piece& kind, double first, double last, int samples) {
        Piece open = kind;
        double before = first;
        for (int i = 0; i <= samples; ++i) {
            const double at = first + (last - first) * i / samples;
            const std::optional<Vec3> d = point(kind, at);
            const bool was_open = !open.at.empty();
            if (i > 0 && d.has_value() != was_open) {
                double in = d ? at : before;
                double out = d ? before : at;
                for (int n = 0; n < 50; ++n) {
                    const double middle = (in + out) / 2;
                    (point(kind, middle) ? in : out) = middle;
                }
                open.at.push_back(in);
                open.direction.push_back(*point(kind, in));
            }
            if (d) {
                open.at.push_back(at);
                open.direction.push_back(*d);
            } else if (was_open) {
                pieces_.push_back(std::move(open));
                open = kind;
            }
            before = at;
        }
        if (!open.at.empty()) pieces_.push_back(std::move(open));
    }

    const Lens& lens_;
    std::vector<Piece> pieces_;
};

/// The largest value of f on [low, high] by golden-section search; f has one hump there.
template <typename F>
double largest(F f, double low, double high) {
    constexpr double kGolden = 0.6180339887498949;
    double a = high - kGolden * (high - low);
    double b = low + kGolden * (high - low);
    double fa = f(a);
    double fb = f(b);
    double best = std::max(fa, fb);
    for (int i = 0; i < 32; ++i) {
        if (fa > fb) {
            high = b;
            b = a;
            fb = fa;
            a = high - kGolden * (high - low);
            fa = f(a);
            best = std::max(best, fa);
        } else {
            low = a;
            a = b;
            fa = fb;
            b = low + kGolden * (high - low);
            fb = f(b);
            best = std::max(best, fb);
        }
    }
    return best;
}

/// Gathers one frame's arcs and latitudes.
struct Gather {
    const Outline& outline;
    const Rotation& rotation;
    bool cylinder;
    double limit_deg;
    std::vector<LongitudeArc> arcs{};
    double bottom_deg = 1000, top_deg = -1000;
    bool cut = false;  ///< reaches beyond a cylinder's limit

    void latitude(double lat) {
        if (cylinder && std::abs(lat) > limit_deg) {
            cut = true;
            lat = std::clamp(lat, -limit_deg, limit_deg);
        }
        bottom_deg = std::min(bottom_deg, lat);
        top_deg = std::max(top_deg, lat);
    }

    /// Longitudes beginning at `from`, eastwards or (negative) westwards.
    void arc(LonLat from, double by_deg) {
        const double start = by_deg < 0 ? from.lon + by_deg : from.lon;
        arcs.push_back({turned_positive(start), std::abs(by_deg)});
    }

    [[nodiscard]] bool inside(LonLat p) const { return !cylinder || std::abs(p.lat) <= limit_deg; }

    [[nodiscard]] LonLat seen(const Piece& piece, double at, LonLat otherwise) const {
        const std::optional<Vec3> d = outline.point(piece, at);
        return d ? lon_lat_deg(rotation.to_world(*d)) : otherwise;
    }

    void piece(const Piece& p) {
        std::vector<LonLat> points(p.at.size());
        for (size_t i = 0; i < points.size(); ++i) {
            points[i] = lon_lat_deg(rotation.to_world(p.direction[i]));
            latitude(points[i].lat);
            if (inside(points[i])) arc(points[i], 0);
        }
        for (size_t i = 1; i < points.size(); ++i) {
            if (inside(points[i - 1]) && inside(points[i])) {
                arc(points[i - 1], short_way(points[i - 1].lon, points[i].lon));
            } else if (inside(points[i - 1]) || inside(points[i])) {
                cut_step(p, i, points[i - 1], points[i]);
            }
        }
        for (size_t i = 1; i + 1 < points.size(); ++i) turning(p, i, points);
    }

    /// A step of the outline over a cylinder's limit: the part within counts.
    void cut_step(const Piece& p, size_t i, LonLat before, LonLat after) {
        const LonLat start = inside(before) ? before : after;
        double in = inside(before) ? p.at[i - 1] : p.at[i];
        double out = inside(before) ? p.at[i] : p.at[i - 1];
        LonLat end = start;
        for (int n = 0; n < 50; ++n) {
            const double middle = (in + out) / 2;
            const LonLat there = seen(p, middle, end);
            if (inside(there)) end = there;
            (inside(there) ? in : out) = middle;
        }
        arc(start, short_way(start.lon, end.lon));
    }

    /// Where a coordinate turns at sample i, its true extremum lies between the neighbours.
    void turning(const Piece& p, size_t i, const std::vector<LonLat>& points) {
        const LonLat here = points[i];
        const double lat_before = here.lat - points[i - 1].lat;
        const double lat_after = points[i + 1].lat - here.lat;
        if (lat_before * lat_after <= 0 && lat_before != lat_after) {
            const double sign = lat_before > 0 || lat_after < 0 ? 1 : -1;
            latitude(sign * largest([&](double at) { return sign * seen(p, at, here).lat; },
                                    p.at[i - 1], p.at[i + 1]));
        }
        const double lon_before = short_way(points[i - 1].lon, here.lon);
        const double lon_after = short_way(here.lon, points[i + 1].lon);
        if (inside(here) && lon_before * lon_after <= 0 && lon_before != lon_after) {
            const double sign = lon_before > 0 || lon_after < 0 ? 1 : -1;
            const double beyond = largest(
                [&](double at) {
                    const LonLat there = seen(p, at, here);
                    return inside(there) ? sign * short_way(here.lon, there.lon) : 0.0;
                },
                p.at[i - 1], p.at[i + 1]);
            if (beyond > 0) arc(here, sign * beyond);
        }
    }

    /// A cylinder's limit circles bound the coverage where frames go over them.
    void limit_circle(const Lens& lens, double lat_deg) {
        const double c = std::cos(lat_deg * kRadPerDeg);
        const double s = std::sin(lat_deg * kRadPerDeg);
        const auto sees = [&](double lon) {
            return lens.in_view(rotation.to_camera(
                {c * std::sin(lon * kRadPerDeg), -s, c * std::cos(lon * kRadPerDeg)}));
        };
        bool seen_before = sees(0);
        for (int i = 1; i <= kCircleSamples; ++i) {
            const double before = 360.0 * (i - 1) / kCircleSamples;
            const double here = 360.0 * i / kCircleSamples;
            const bool seen_here = sees(here);
            if (seen_before && seen_here) {
                arc({before, lat_deg}, here - before);
            } else if (seen_before || seen_here) {
                const double start = seen_here ? here : before;
                double in = start;
                double out = seen_here ? before : here;
                for (int n = 0; n < 50; ++n) {
                    const double middle = (in + out) / 2;
                    (sees(middle) ? in : out) = middle;
                }
                arc({start, lat_deg}, in - start);
            }
            seen_before = seen_here;
        }
    }
};

}  // namespace

std::vector<LongitudeArc> merged(std::vector<LongitudeArc> arcs) {
    std::sort(arcs.begin(), arcs.end(), [](const LongitudeArc& a, const LongitudeArc& b) {
        return a.start_deg < b.start_deg;
    });
    std::vector<LongitudeArc> out;
    for (const LongitudeArc& arc : arcs) {
        const double end = arc.start_deg + arc.length_deg;
        if (!out.empty() &&
            arc.start_deg <= out.back().start_deg + out.back().length_deg + kTouchingDeg) {
            out.back().length_deg = std::max(out.back().length_deg, end - out.back().start_deg);
        } else {
            out.push_back(arc);
        }
    }
    if (out.empty()) return out;
    // Only the last arcs can reach over 360 degrees; they swallow what they meet at the start.
    double reach = 0;
    for (const LongitudeArc& arc : out) reach = std::max(reach, arc.start_deg + arc.length_deg);
    reach -= 360;
    while (out.size() > 1 && out.front().start_deg <= reach + kTouchingDeg) {
        reach = std::max(reach, out.front().start_deg + out.front().length_deg);
        out.erase(out.begin());
    }
    if (reach >= 0) {
        LongitudeArc& last = out.back();
        last.length_deg = std::max(last.length_deg, reach + 360 - last.start_deg);
    }
    if (out.size() == 1 && out.front().length_deg >= 360 - kTouchingDeg) return {{0, 360}};
    return out;
}

FrameCoverage frame_coverage(const Scene& scene, double limit_deg) {
    const bool cylinder = scene.canvas.surface == Surface::cylinder;
    std::map<std::string, Lens> lenses;
    for (const auto& [name, camera] : scene.cameras) lenses.emplace(name, Lens(camera));
    std::map<std::string, Outline> outlines;
    FrameCoverage total;
    total.bottom_deg = 1000;
    total.top_deg = -1000;
    std::vector<LongitudeArc> arcs;
    for (const Frame& frame : scene.frames) {
        if (!frame.use) continue;
        const Lens& lens = lenses.at(frame.camera);
        auto outline = outlines.find(frame.camera);
        if (outline == outlines.end()) {
            outline = outlines.emplace(frame.camera, Outline(lens)).first;
        }
        const Rotation rotation = Rotation::from_yaw_pitch_roll_deg(
            frame.yaw_deg.value(), frame.pitch_deg.value(), frame.roll_deg);
        Gather gather{outline->second, rotation, cylinder, limit_deg};
        for (const Piece& piece : outline->second.pieces()) gather.piece(piece);
        for (const double pole : {90.0, -90.0}) {
            if (lens.in_view(rotation.to_camera({0, pole > 0 ? -1.0 : 1.0, 0}))) {
                total.pole_in_view = true;
                gather.latitude(pole);
                if (!cylinder) gather.arcs.push_back({0, 360});
            }
            if (cylinder) gather.limit_circle(lens, std::copysign(limit_deg, pole));
        }
        total.cut = total.cut || gather.cut;
        if (gather.arcs.empty()) continue;  // wholly beyond a cylinder's limit
        total.bottom_deg = std::min(total.bottom_deg, gather.bottom_deg);
        total.top_deg = std::max(total.top_deg, gather.top_deg);
        // Merged frame by frame, so that thousands of frames need little memory.
        const std::vector<LongitudeArc> own = merged(std::move(gather.arcs));
        arcs.insert(arcs.end(), own.begin(), own.end());
    }
    arcs = merged(std::move(arcs));
    if (arcs.empty()) return {.cut = total.cut};
    total.any = true;
    total.all_around = arcs.size() == 1 && arcs.front().length_deg >= 360;
    if (total.all_around) {
        total.left_deg = -180;
        total.right_deg = 180;
        return total;
    }
    // The canvas begins behind the widest gap.
    size_t best = 0;
    double widest = -1;
    for (size_t i = 0; i < arcs.size(); ++i) {
        const LongitudeArc& before = arcs[(i + arcs.size() - 1) % arcs.size()];
        double gap = arcs[i].start_deg - (before.start_deg + before.length_deg);
        if (i == 0) gap += 360;
        if (gap > widest) {
            widest = gap;
            best = i;
        }
    }
    total.left_deg = arcs[best].start_deg;
    if (total.left_deg >= 180) total.left_deg -= 360;
    total.right_deg = total.left_deg + 360 - widest;
    return total;
}

}  // namespace broadloom
