#include "broadloom/canvas.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "broadloom/error.hpp"
#include "canvas/coverage.hpp"

namespace broadloom {

namespace {

/// Angles that differ by less than this are equal: far below a pixel of the largest canvas.
constexpr double kSameAngleDeg = 1e-9;
/// Pixels; outward rounding forgives this much, so that rounding noise adds no pixel.
constexpr double kSamePixel = 1e-6;

[[noreturn]] void refuse(const std::string& message) { throw Error(ErrorCode::input, message); }

std::string text(double value) {
    char buffer[40];
    std::snprintf(buffer, sizeof buffer, "%.10g", value);
    return buffer;
}

std::string whole(double value) {
    char buffer[400];
    std::snprintf(buffer, sizeof buffer, "%.0f", value);
    return buffer;
}

void check_finite(const std::optional<double>& value, const char* key) {
    if (value && !std::isfinite(*value)) {
        refuse(std::string(key) + " is not a finite number; give degrees or leave the key out");
    }
}

void check_latitude(const std::optional<double>& value, const char* key, bool cylinder) {
    check_finite(value, key);
    const double limit = cylinder ? kMaxCylinderLatitude : 90.0;
    if (value && std::abs(*value) > limit) {
        refuse(std::string(key) + " is " + text(*value) + "; " +
               (cylinder ? "a cylinder" : "a sphere") + " reaches from -" + text(limit) + " to " +
               text(limit) + " degrees");
    }
}

void check_longitude(const std::optional<double>& value, const char* key) {
    check_finite(value, key);
    if (value && std::abs(*value) > 720) {
        refuse(std::string(key) + " is " + text(*value) +
               "; give a longitude between -720 and 720 degrees");
    }
}

void check_request(const CanvasRequest& r) {
    const bool cylinder = r.surface == Surface::cylinder;
    check_longitude(r.left_deg, "canvas.left_deg");
    check_longitude(r.right_deg, "canvas.right_deg");
    check_latitude(r.top_deg, "canvas.top_deg", cylinder);
    check_latitude(r.bottom_deg, "canvas.bottom_deg", cylinder);
    if (r.left_deg && r.right_deg) {
        const double span = *r.right_deg - *r.left_deg;
        if (!(span > 0)) {
            refuse("canvas.right_deg (" + text(*r.right_deg) +
                   ") is not greater than canvas.left_deg (" + text(*r.left_deg) +
                   "); add 360 to it if the canvas crosses 180 degrees");
        }
        if (span > 360 + kSameAngleDeg) {
            refuse("canvas.left_deg to canvas.right_deg is " + text(span) +
                   " degrees; a canvas has at most 360");
        }
    }
    if (r.top_deg && r.bottom_deg && !(*r.top_deg > *r.bottom_deg)) {
        refuse("canvas.top_deg (" + text(*r.top_deg) + ") is not greater than canvas.bottom_deg (" +
               text(*r.bottom_deg) + "); swap them");
    }
    if (r.pixels_per_degree && !(std::isfinite(*r.pixels_per_degree) && *r.pixels_per_degree > 0)) {
        refuse("canvas.pixels_per_degree is " + text(*r.pixels_per_degree) +
               "; give a number greater than 0");
    }
}

/// Everything that the derived keys rest on.
void check_frames(const Scene& scene) {
    bool any = false;
    for (size_t i = 0; i < scene.frames.size(); ++i) {
        const Frame& frame = scene.frames[i];
        if (!frame.use) continue;
        any = true;
        const std::string place = "frames[" + std::to_string(i) + "]";
        const auto camera = scene.cameras.find(frame.camera);
        if (camera == scene.cameras.end()) {
            refuse(place + ".camera names no camera of the scene; add it to cameras");
        }
        const Camera& c = camera->second;
        if (!(c.focal_px > 0) || !std::isfinite(c.focal_px) || c.width < 1 || c.height < 1) {
            refuse(place + ".camera has a size or focal length of 0 or less; correct the camera");
        }
        if (!frame.yaw_deg || !frame.pitch_deg || !std::isfinite(*frame.yaw_deg) ||
            !std::isfinite(*frame.pitch_deg) || !std::isfinite(frame.roll_deg)) {
            refuse(place + " has no finite yaw_deg, pitch_deg and roll_deg; align the scene first");
        }
    }
    if (!any) refuse("frames: none is used; at least one frame must have \"use\": \"yes\"");
}

double sharpest_pixels_per_degree(const Scene& scene) {
    double sharpest = 0;
    for (const Frame& frame : scene.frames) {
        if (frame.use) {
            sharpest = std::max(sharpest, scene.cameras.at(frame.camera).focal_px * kRadPerDeg);
        }
    }
    return sharpest;
}

/// One side of the canvas in pixels from the origin of angles, each end given or derived.
struct Span {
    double low, high;
    bool low_given, high_given;

    /// Derived ends move outwards: to whole pixels from a given end, else from the origin.
    void round_outwards() {
        if (low_given && high_given) return;
        if (low_given) {
            high = low + std::ceil(high - low - kSamePixel);
        } else if (high_given) {
            low = high - std::ceil(high - low - kSamePixel);
        } else {
            low = std::floor(low + kSamePixel);
            high = std::ceil(high - kSamePixel);
        }
    }
};

double nearest_wrap_multiple(double width) {
    const auto multiple = static_cast<double>(kWrapMultiple);
    return std::max(multiple, std::round(width / multiple) * multiple);
}

/// Height on the surface in units of a pixel, upwards from latitude 0.
double height_of(double latitude_deg, Surface surface, double s) {
    return surface == Surface::sphere ? latitude_deg * s
                                      : std::tan(latitude_deg * kRadPerDeg) * s * kDegPerRad;
}

double latitude_of(double height, Surface surface, double s) {
    return surface == Surface::sphere ? height / s
                                      : std::atan(height / (s * kDegPerRad)) * kDegPerRad;
}

/// Left and right in degrees; derived ones rounded outwards to whole pixels of 1/s degrees.
void settle_longitudes(Canvas& c, const CanvasRequest& r, const FrameCoverage& seen, double s) {
    if (r.left_deg && r.right_deg) {
        c.left_deg = *r.left_deg;
        c.right_deg = *r.right_deg;
        return;
    }
    double left = seen.left_deg;
    double right = seen.right_deg;
    if (r.left_deg) {
        left = *r.left_deg;
        // The frames' right end, as the first one met east of the given left.
        right = seen.all_around ? left + 360 : right - 360 * std::ceil((right - left) / 360 - 1);
    } else if (r.right_deg) {
        right = *r.right_deg;
        left = seen.all_around ? right - 360 : left + 360 * std::ceil((right - left) / 360 - 1);
    }
    Span span{left * s, right * s, r.left_deg.has_value(), r.right_deg.has_value()};
    span.round_outwards();
    if (!r.left_deg) left = span.low / s;
    if (!r.right_deg) right = span.high / s;
    if (right - left >= 360 - kSameAngleDeg || seen.all_around) {
        // Closed up to the whole circle.
        if (r.left_deg) {
            right = left + 360;
        } else if (r.right_deg) {
            left = right - 360;
        } else {
            left = -180;
            right = 180;
        }
    }
    c.left_deg = left;
    c.right_deg = right;
}

/// Top and bottom in degrees, likewise, kept within the surface's limits.
void settle_latitudes(Canvas& c, const CanvasRequest& r, const FrameCoverage& seen, double s) {
    const double limit = c.surface == Surface::cylinder ? kMaxCylinderLatitude : 90.0;
    double top = r.top_deg.value_or(seen.top_deg);
    double bottom = r.bottom_deg.value_or(seen.bottom_deg);
    if (!(top > bottom) && (r.top_deg || r.bottom_deg)) {
        const char* key = r.top_deg ? "canvas.top_deg" : "canvas.bottom_deg";
        refuse(std::string(key) + " (" + text(r.top_deg ? top : bottom) +
               ") leaves no frame in the canvas: they lie between " + text(seen.bottom_deg) +
               " and " + text(seen.top_deg) + " degrees of latitude");
    }
    // An end at the surface's limit stays there: nothing lies beyond it.
    const bool top_given = r.top_deg || top >= limit - kSameAngleDeg;
    const bool bottom_given = r.bottom_deg || bottom <= -limit + kSameAngleDeg;
    Span span{height_of(bottom, c.surface, s), height_of(top, c.surface, s), bottom_given,
              top_given};
    span.round_outwards();
    if (!top_given) top = std::min(limit, latitude_of(span.high, c.surface, s));
    if (!bottom_given) bottom = std::max(-limit, latitude_of(span.low, c.surface, s));
    c.top_deg = top;
    c.bottom_deg = bottom;
}

/// Notes on the decisions taken for absent keys.
void note_decisions(const Canvas& c, const CanvasRequest& r, const FrameCoverage& seen, double s,
                    std::vector<std::string>& notes) {
    const auto note = [&](const std::optional<double>& given, const char* key, double value) {
        if (!given) notes.push_back(std::string(key) + " is " + text(value) + ", from the frames");
    };
    note(r.left_deg, "canvas.left_deg", c.left_deg);
    note(r.right_deg, "canvas.right_deg", c.right_deg);
    note(r.top_deg, "canvas.top_deg", c.top_deg);
    note(r.bottom_deg, "canvas.bottom_deg", c.bottom_deg);
    if (!r.pixels_per_degree) {
        notes.push_back("canvas.pixels_per_degree is " + text(s) + ", from the sharpest camera");
    }
    if (c.surface == Surface::sphere && seen.pole_in_view && !(r.left_deg && r.right_deg)) {
        notes.emplace_back("a frame looks over a pole; the canvas is 360 degrees wide");
    }
    if (seen.cut && !(r.top_deg && r.bottom_deg)) {
        notes.push_back("frames reach beyond " + text(kMaxCylinderLatitude) +
                        " degrees of latitude; a cylinder is cut there");
    }
}

}  // namespace

Vec3 Canvas::direction(double x, double y) const {
    const double lon = (left_deg + x / pixels_per_degree) * kRadPerDeg;
    if (surface == Surface::sphere) {
        const double lat = (top_deg - y / pixels_per_degree) * kRadPerDeg;
        const double c = std::cos(lat);
        return {c * std::sin(lon), -std::sin(lat), c * std::cos(lon)};
    }
    const double rise = std::tan(top_deg * kRadPerDeg) - y * kRadPerDeg / pixels_per_degree;
    return {std::sin(lon), -rise, std::cos(lon)};
}

std::optional<Vec2> Canvas::position(Vec3 d) const {
    const double from_axis = std::hypot(d.x, d.z);
    if (from_axis == 0 && (surface == Surface::cylinder || d.y == 0)) return std::nullopt;
    double east = std::fmod(std::atan2(d.x, d.z) * kDegPerRad - left_deg, 360.0);
    if (east < 0) east += 360;
    double x = east * pixels_per_degree;
    if (x >= 360 * pixels_per_degree) x = 0;  // rounded up to the whole turn
    if (surface == Surface::sphere) {
        // atan2 keeps its digits near the poles, where asin loses half of them.
        const double lat = std::atan2(-d.y, from_axis) * kDegPerRad;
        return Vec2{x, (top_deg - lat) * pixels_per_degree};
    }
    return Vec2{
        x, (std::tan(top_deg * kRadPerDeg) + d.y / from_axis) * pixels_per_degree * kDegPerRad};
}

Canvas make_canvas(const Scene& scene, double scale, std::vector<std::string>* notes) {
    if (!(std::isfinite(scale) && scale > 0)) {
        throw Error(ErrorCode::usage,
                    "--scale is " + text(scale) + "; give a number greater than 0, like 0.5");
    }
    const CanvasRequest& r = scene.canvas;
    check_request(r);
    const bool derives = !(r.left_deg && r.right_deg && r.top_deg && r.bottom_deg);
    if (derives || !r.pixels_per_degree) check_frames(scene);

    Canvas c;
    c.surface = r.surface;
    double s = r.pixels_per_degree ? *r.pixels_per_degree : sharpest_pixels_per_degree(scene);
    const double wanted_s = s;
    FrameCoverage seen;
    if (derives) {
        seen = frame_coverage(scene, kMaxCylinderLatitude);
        if (!seen.any) {
            refuse(
                "canvas: no used frame lies on the cylinder between -80 and 80 degrees; use "
                "\"surface\": \"sphere\"");
        }
    }
    settle_longitudes(c, r, seen, s);
    c.wraps = c.right_deg - c.left_deg >= 360 - kSameAngleDeg;

    // Sizes stay doubles until they are known to fit.
    double width = std::round((c.right_deg - c.left_deg) * s);
    if (c.wraps) {
        width = nearest_wrap_multiple(360 * s);
        s = width / 360;
    }
    settle_latitudes(c, r, seen, s);
    double height =
        std::round(height_of(c.top_deg, c.surface, s) - height_of(c.bottom_deg, c.surface, s));
    if (width < 1 || height < 1) {
        refuse("canvas is " + whole(width) + " x " + whole(height) +
               " pixels: nothing to render; widen it or raise canvas.pixels_per_degree");
    }
    if (scale != 1) {
        // A scale is a decimal number: 0.07 of 100 pixels are 7, though the product in binary is a
        // hair more.
        const auto scaled = [](double size, double by) {
            return std::ceil(size * by * (1 - 4e-16));
        };
        double applied = scale;
        if (c.wraps) {
            // The pixels stay square: the height follows the width that wraps.
            const double full = width;
            width = nearest_wrap_multiple(width * scale);
            applied = width / full;
            s = width / 360;
        } else {
            width = scaled(width, scale);
            s *= scale;
        }
        height = scaled(height, applied);
    }
    const auto largest = static_cast<double>(kMaxCanvasSide);
    if (!(width <= largest && height <= largest)) {
        refuse("canvas is " + whole(width) + " x " + whole(height) +
               " pixels; a side has at most " + whole(largest) +
               "; lower canvas.pixels_per_degree or --scale");
    }
    c.width = static_cast<int64_t>(width);
    c.height = static_cast<int64_t>(height);
    c.pixels_per_degree = s;
    if (notes) note_decisions(c, r, seen, wanted_s, *notes);
    return c;
}

}  // namespace broadloom
