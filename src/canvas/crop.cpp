#include "canvas/crop.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "broadloom/error.hpp"

namespace broadloom {

namespace {

[[noreturn]] void refuse(const std::string& message) {
    throw Error(ErrorCode::usage, "--crop: " + message);
}

std::string text(double value) {
    char buffer[40];
    std::snprintf(buffer, sizeof buffer, "%.10g", value);
    return buffer;
}

/// Digits for people: a hundredth of a pixel of any canvas that is rendered in practice.
std::string degrees(double value) {
    char buffer[40];
    std::snprintf(buffer, sizeof buffer, "%.7g", std::abs(value) < 5e-8 ? 0.0 : value);
    return buffer;
}

double latitude_at(const Canvas& c, double y) {
    if (c.surface == Surface::sphere) return c.top_deg - y / c.pixels_per_degree;
    return std::atan(std::tan(c.top_deg * kRadPerDeg) - y / c.pixels_per_degree * kRadPerDeg) *
           kDegPerRad;
}

double row_at(const Canvas& c, double latitude_deg) {
    if (c.surface == Surface::sphere) return (c.top_deg - latitude_deg) * c.pixels_per_degree;
    return (std::tan(c.top_deg * kRadPerDeg) - std::tan(latitude_deg * kRadPerDeg)) *
           c.pixels_per_degree * kDegPerRad;
}

void check_finite(const CropSides& s) {
    for (const double v : {s.left, s.top, s.right, s.bottom}) {
        if (!(std::abs(v) <= 1e12)) refuse("a side is not a finite number of sensible size");
    }
}

/// One side: what was given, and where it lies in pixels of the whole canvas.
struct Side {
    const char* name;
    double given, at;
};

/// A side at its pixel edge. Up to a pixel beyond the canvas is forgiven: whoever reads degrees off
/// a page has them rounded.
int64_t settle(const Side& side, int64_t size, const std::string& reach, const char* unit) {
    if (!(side.at > -1 && side.at < static_cast<double>(size) + 1)) {
        refuse(std::string(side.name) + " (" + text(side.given) + unit +
               ") lies outside the canvas, which reaches from " + reach + "; correct that side");
    }
    return std::clamp<int64_t>(std::llround(side.at), 0, size);
}

Rect settle_both(const Canvas& whole, const Side& left, const Side& right, const Side& top,
                 const Side& bottom, const std::string& across, const std::string& down,
                 const char* unit) {
    Rect r;
    r.y0 = settle(top, whole.height, down, unit);
    r.y1 = settle(bottom, whole.height, down, unit);
    if (whole.wraps) {
        // `left` was brought into the canvas; the width is what matters of `right`.
        const double span = right.at - left.at;
        if (span > static_cast<double>(whole.width) + 1) {
            refuse(std::string("left to right (") + text(left.given) + " to " + text(right.given) +
                   unit + ") is more than the whole way round; bring them closer together");
        }
        r.x0 = std::llround(left.at);
        r.x1 = std::min<int64_t>(std::llround(right.at), r.x0 + whole.width);
        if (r.x0 >= whole.width) r = r.moved(-whole.width, 0);
    } else {
        r.x0 = settle(left, whole.width, across, unit);
        r.x1 = settle(right, whole.width, across, unit);
    }
    if (r.width() < 1) {
        refuse(std::string("left to right (") + text(left.given) + " to " + text(right.given) +
               unit + ") is less than a pixel; move them apart");
    }
    if (r.height() < 1) {
        refuse(std::string("top to bottom (") + text(top.given) + " to " + text(bottom.given) +
               unit + ") is less than a pixel; move them apart");
    }
    return r;
}

}  // namespace

Rect crop_by_degrees(const Canvas& whole, const CropSides& sides) {
    check_finite(sides);
    if (!(sides.right > sides.left)) {
        refuse("right (" + text(sides.right) + " degrees) is not greater than left (" +
               text(sides.left) + " degrees); add 360 to it if the part crosses 180 degrees");
    }
    if (!(sides.top > sides.bottom)) {
        refuse("top (" + text(sides.top) + " degrees) is not above bottom (" + text(sides.bottom) +
               " degrees); swap them");
    }
    const double limit = whole.surface == Surface::cylinder ? kMaxCylinderLatitude : 90.0;
    if (!(sides.top <= limit + 1 && sides.bottom >= -limit - 1)) {
        refuse(
            (sides.top > limit + 1 ? "top (" + text(sides.top) : "bottom (" + text(sides.bottom)) +
            " degrees) lies outside the canvas, which reaches from " + degrees(whole.top_deg) +
            " to " + degrees(whole.bottom_deg) + " degrees; correct that side");
    }
    const double s = whole.pixels_per_degree;
    // The turn that brings the left side into the canvas, or nearest to it.
    double turn = 0;
    if (whole.wraps) {
        turn = -360 * std::floor((sides.left - whole.left_deg) / 360);
    } else {
        const double middle = (whole.left_deg + whole.right_deg) / 2;
        turn = -360 * std::round(((sides.left + sides.right) / 2 - middle) / 360);
    }
    return settle_both(whole, {"left", sides.left, (sides.left + turn - whole.left_deg) * s},
                       {"right", sides.right, (sides.right + turn - whole.left_deg) * s},
                       {"top", sides.top, row_at(whole, sides.top)},
                       {"bottom", sides.bottom, row_at(whole, sides.bottom)},
                       degrees(whole.left_deg) + " to " + degrees(whole.right_deg) + " degrees",
                       degrees(whole.top_deg) + " to " + degrees(whole.bottom_deg) + " degrees",
                       " degrees");
}

Rect crop_by_pixels(const Canvas& whole, const CropSides& sides) {
    check_finite(sides);
    if (!(sides.right > sides.left)) {
        refuse("right (" + text(sides.right) + " px) is not greater than left (" +
               text(sides.left) + " px); swap them" +
               (whole.wraps ? ", or add the canvas's width of " + std::to_string(whole.width) +
                                  " to it if the part crosses the edge"
                            : ""));
    }
    if (!(sides.bottom > sides.top)) {
        refuse("bottom (" + text(sides.bottom) + " px) is not greater than top (" +
               text(sides.top) + " px); swap them");
    }
    const auto width = static_cast<double>(whole.width);
    const double turn = whole.wraps ? -width * std::floor(sides.left / width) : 0.0;
    return settle_both(whole, {"left", sides.left, sides.left + turn},
                       {"right", sides.right, sides.right + turn}, {"top", sides.top, sides.top},
                       {"bottom", sides.bottom, sides.bottom},
                       "0 to " + std::to_string(whole.width) + " px",
                       "0 to " + std::to_string(whole.height) + " px", " px");
}

Canvas cropped(const Canvas& whole, const Rect& part) {
    Canvas c = whole;
    c.width = part.width();
    c.height = part.height();
    c.wraps = whole.wraps && part.width() == whole.width;
    // Ends that the part shares with the whole keep their digits.
    const double s = whole.pixels_per_degree;
    if (part.x0 != 0) c.left_deg = whole.left_deg + static_cast<double>(part.x0) / s;
    if (c.wraps) {
        c.right_deg = c.left_deg + (whole.right_deg - whole.left_deg);
    } else if (part.x1 != whole.width) {
        c.right_deg = whole.left_deg + static_cast<double>(part.x1) / s;
    }
    if (part.y0 != 0) c.top_deg = latitude_at(whole, static_cast<double>(part.y0));
    if (part.y1 != whole.height) c.bottom_deg = latitude_at(whole, static_cast<double>(part.y1));
    return c;
}

std::string describe_part(const Canvas& whole, const Rect& part) {
    const Canvas c = cropped(whole, part);
    return std::to_string(c.width) + " x " + std::to_string(c.height) + " pixels from (" +
           std::to_string(part.x0) + ", " + std::to_string(part.y0) + ") on, longitude " +
           degrees(c.left_deg) + " to " + degrees(c.right_deg) + ", latitude " +
           degrees(c.top_deg) + " to " + degrees(c.bottom_deg);
}

}  // namespace broadloom
