// In which space to blend: encoded as in sRGB (what the renderer does), in linear light, or by CIE
// lightness. A rim is what lies outside of what the two frames show at a pixel: a blend without
// rings and without bleeding stays in between.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <functional>
#include <string>
#include <vector>

#include "blend/multiband.hpp"
#include "broadloom/photometry.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// Tells the figures when BROADLOOM_FIGURES is set.
void tell(const std::string& text) {
    if (std::getenv("BROADLOOM_FIGURES") != nullptr) WARN(text);
    UNSCOPED_INFO(text);
}

/// One channel, encoded values 0..255.
struct Flat {
    int64_t width = 0, height = 0;
    std::vector<double> value;
    Flat(int64_t w, int64_t h) : width(w), height(h), value(static_cast<size_t>(w * h)) {}
    [[nodiscard]] double& at(int64_t x, int64_t y) {
        return value[static_cast<size_t>(y * width + x)];
    }
    [[nodiscard]] double at(int64_t x, int64_t y) const {
        return value[static_cast<size_t>(y * width + x)];
    }
};

/// A frame that covers columns [from, to); its pixels have the canvas's size.
struct Placed {
    const Flat& picture;
    int64_t from, to;
};

struct Space {
    const char* name;
    std::function<double(double)> into, back;
};

/// CIE 1976 lightness of relative luminance, 0..100 (CIE 15), and back.
double lightness(double y) { return y > 216.0 / 24389 ? 116 * std::cbrt(y) - 16 : y * 24389 / 27; }
double luminance(double l) { return l > 8 ? std::pow((l + 16) / 116, 3) : l * 27 / 24389; }

Space encoded() {
    return {"encoded", [](double v) { return v; }, [](double v) { return v; }};
}
Space linear() {
    return {"linear", [](double v) { return 255 * srgb_decode(v / 255); },
            [](double v) { return 255 * srgb_encode(v / 255); }};
}
Space by_lightness() {
    return {"lightness", [](double v) { return 2.55 * lightness(srgb_decode(v / 255)); },
            [](double v) { return 255 * srgb_encode(luminance(v / 2.55)); }};
}

enum class Beyond { nothing, repeated };

/// Left of `seam` from a, from it on from b. Beyond its border a frame differs by nothing, or, as a
/// control, is continued by its last column.
Flat blended(const Placed& a, const Placed& b, int64_t seam, int bands, const Space& space,
             Beyond beyond = Beyond::nothing) {
    const int64_t width = a.picture.width;
    const int64_t height = a.picture.height;
    MultibandCorrection<float> correction(kernels_for(InstructionSet::automatic));
    const BandRanges ranges = band_ranges({0, 0, width, height}, bands);
    correction.begin(ranges);
    const auto composite = [&](int64_t x, int64_t y) {
        return space.into((x < seam ? a : b).picture.at(x, y));
    };
    for (int i = 0; i < 2; ++i) {
        const Placed& s = i == 0 ? a : b;
        std::array<WorkPlane<float>, 3> difference;
        WorkPlane<float> weight;
        for (auto& p : difference) p.reset(ranges.gauss[0]);
        weight.reset(ranges.gauss[0]);
        for (int64_t y = ranges.gauss[0].y0; y < ranges.gauss[0].y1; ++y) {
            for (int64_t x = ranges.gauss[0].x0; x < ranges.gauss[0].x1; ++x) {
                const int64_t cx = std::clamp<int64_t>(x, 0, width - 1);
                const int64_t cy = std::clamp<int64_t>(y, 0, height - 1);
                *weight.at(x, y) = (cx < seam) == (i == 0) ? 1.0F : 0.0F;
                const int64_t seen = std::clamp(cx, s.from, s.to - 1);
                const bool counts = seen == cx || beyond == Beyond::repeated;
                const double d =
                    counts ? space.into(s.picture.at(seen, cy)) - composite(cx, cy) : 0;
                for (auto& p : difference) *p.at(x, y) = static_cast<float>(d);
            }
        }
        correction.add(difference, weight);
    }
    const auto& sum = correction.finish();
    Flat out(width, height);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            const double v = composite(x, y) + static_cast<double>(*sum[0].at(x, y));
            out.at(x, y) = std::clamp(space.back(v), 0.0, 255.0);
        }
    }
    return out;
}

/// How far pixels lie outside of what the frames that cover them show, levels.
struct Rim {
    double dark = 0, bright = 0;
    double mean = 0;  ///< over the pixels that the blend can reach
    [[nodiscard]] double largest() const { return std::max(dark, bright); }
};

Rim rim(const Flat& out, const Placed& a, const Placed& b, int64_t seam, int bands) {
    Rim r;
    int64_t n = 0;
    for (int64_t y = 0; y < out.height; ++y) {
        for (int64_t x = std::max<int64_t>(seam - seam_reach(bands), 0);
             x < std::min(seam + seam_reach(bands), out.width); ++x) {
            double low = 255;
            double high = 0;
            for (const Placed* s : {&a, &b}) {
                if (x < s->from || x >= s->to) continue;
                low = std::min(low, s->picture.at(x, y));
                high = std::max(high, s->picture.at(x, y));
            }
            const double v = out.at(x, y);
            r.dark = std::max(r.dark, low - v);
            r.bright = std::max(r.bright, v - high);
            r.mean += std::max({0.0, low - v, v - high});
            ++n;
        }
    }
    r.mean /= static_cast<double>(n);
    return r;
}

double psnr_of(const Flat& a, const Flat& b) {
    double squares = 0;
    for (size_t i = 0; i < a.value.size(); ++i) {
        squares += (a.value[i] - b.value[i]) * (a.value[i] - b.value[i]);
    }
    return 10 * std::log10(255.0 * 255.0 * static_cast<double>(a.value.size()) / squares);
}

/// The picture with its light times `gain`, cut off at white.
Flat lit(const Flat& in, double gain) {
    Flat out = in;
    for (double& v : out.value) v = std::min(255.0, 255 * srgb_encode(gain * srgb_decode(v / 255)));
    return out;
}

Flat moved(const Flat& in, int64_t dx, int64_t dy) {
    Flat out = in;
    for (int64_t y = 0; y < in.height; ++y) {
        for (int64_t x = 0; x < in.width; ++x) {
            out.at(x, y) = in.at(std::clamp<int64_t>(x + dx, 0, in.width - 1),
                                 std::clamp<int64_t>(y + dy, 0, in.height - 1));
        }
    }
    return out;
}

constexpr int64_t kWidth = 512, kHeight = 384, kSeam = 256;

/// A ground of light `ground` with a disc of light `disc` across the seam, encoded.
Flat disc_on_ground(double ground, double disc, double radius = 20, int64_t at = kSeam) {
    Flat out(kWidth, kHeight);
    for (int64_t y = 0; y < kHeight; ++y) {
        for (int64_t x = 0; x < kWidth; ++x) {
            const double away =
                std::hypot(static_cast<double>(x - at), static_cast<double>(y) - kHeight / 2.0) -
                radius;
            const double in = 1 / (1 + std::exp(away));
            const double wave = 1 + 0.1 * std::sin(0.05 * static_cast<double>(x)) *
                                        std::cos(0.04 * static_cast<double>(y));
            out.at(x, y) = 255 * srgb_encode(std::min(1.0, ground * wave * (1 - in) + disc * in));
        }
    }
    return out;
}

std::string figures(const char* what, const Space& space, const Rim& r, double db) {
    return std::string(what) + ", " + space.name + ": rim " + std::to_string(r.dark) + " dark, " +
           std::to_string(r.bright) + " bright, mean " + std::to_string(r.mean) + "; " +
           std::to_string(db) + " dB";
}

}  // namespace

TEST_CASE("the encoded space keeps rims low at lights and in shadows", "[multiband][space]") {
    struct Scene {
        const char* name;
        double ground, disc;
    };
    // The right frame is lit 10 % too much; over the disc the frames differ by something else than
    // beside it, so that low bands carry one into the other.
    for (const Scene& scene :
         {Scene{"sun", 0.2, 40}, Scene{"shadow", 0.5, 0.002}, Scene{"lamp at night", 0.004, 0.9}}) {
        const Flat truth = disc_on_ground(scene.ground, scene.disc);
        const Flat right = lit(truth, 1.1);
        const Placed a{truth, 0, kWidth};
        const Placed b{right, 0, kWidth};
        std::vector<double> largest;
        for (const Space& space : {encoded(), linear(), by_lightness()}) {
            const Flat out = blended(a, b, kSeam, 5, space);
            const Rim r = rim(out, a, b, kSeam, 5);
            tell(figures(scene.name, space, r, psnr_of(out, truth)));
            largest.push_back(r.largest());
        }
        // Encoded values and lightness do alike; linear light bleeds into the dark.
        CHECK(largest[0] < 2.5);
        if (scene.ground < 0.1 || scene.disc < 0.1) CHECK(largest[1] > 10);
    }
}

TEST_CASE("nothing beyond a frame's border bleeds in", "[multiband][space]") {
    // The left frame ends 20 px right of the seam, just before a sun that only the right one sees.
    const Flat truth = disc_on_ground(0.2, 40, 20, kSeam + 44);
    const Flat right = lit(truth, 1.05);
    const Placed a{truth, 0, kSeam + 20};
    const Placed b{right, 0, kWidth};
    const Flat out = blended(a, b, kSeam, 5, encoded());
    const Rim r = rim(out, a, b, kSeam, 5);
    const Rim control = rim(blended(a, b, kSeam, 5, encoded(), Beyond::repeated), a, b, kSeam, 5);
    tell(figures("border", encoded(), r, psnr_of(out, truth)));
    tell(figures("border, continued", encoded(), control, 0));
    CHECK(r.largest() < 1);
    CHECK(control.largest() > 2);
}

TEST_CASE("photographs blended in three spaces", "[multiband][space][.figures]") {
    for (const auto* file : {"/usr/share/backgrounds/mate/abstract/Elephants_5640x3172.jpg",
                             "/usr/share/backgrounds/Dragonfly_by_Bolly.jpg",
                             "/usr/share/backgrounds/picosdeeuropa_by_Aitzol_Berasategi.jpg"}) {
        if (!std::filesystem::exists(file)) continue;
        const Picture photo = load_picture(file);
        Flat truth(1536, 1024);
        for (int64_t y = 0; y < truth.height; ++y) {
            for (int64_t x = 0; x < truth.width; ++x) {
                truth.at(x, y) = photo.at(x + 900, y + 700)[1];
            }
        }
        // Exposure 10 % apart and the frames 2 px apart: what is left after aligning.
        const Flat right = moved(lit(truth, 1.1), 2, 1);
        const Placed a{truth, 0, truth.width};
        const Placed b{right, 0, truth.width};
        for (const Space& space : {encoded(), linear(), by_lightness()}) {
            const Flat out = blended(a, b, 768, 5, space);
            tell(figures(std::filesystem::path(file).filename().c_str(), space,
                         rim(out, a, b, 768, 5), psnr_of(out, truth)));
            CHECK(psnr_of(out, truth) > 20);
        }
    }
}
