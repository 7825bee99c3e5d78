// The blend against OpenCV 4.6's multiband blender (cv::detail::MultiBandBlender), an
// implementation of the same paper by others. Where the two differ by design:
// - Outside a frame OpenCV continues it by reflection and weighs that in; here a frame never
// reaches
//   past its border (its difference from the composite is zero there). As long as the seam is
//   farther from every frame border than the bands reach, 4 (2^b - 1) px, that makes no difference.
// - At the canvas's border OpenCV reflects, here the edge pixel is repeated: the comparison leaves
// a
//   margin.
// - OpenCV works on the values that it is given, in 16-bit integers, and cuts off when it divides
// by
//   the weights. Given 8-bit values it loses up to a level to that; given the same values times 32,
//   the working format here, little remains.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <filesystem>
#include <opencv2/stitching/detail/blenders.hpp>

#include "blend/multiband.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// A picture that covers columns [from, to) of the canvas; its pixels have the canvas's size.
struct Placed {
    Picture picture;
    int64_t from, to;
};

Picture of_size(int64_t width, int64_t height) {
    Picture p;
    p.width = width;
    p.height = height;
    p.rgb.resize(static_cast<size_t>(3 * width * height));
    return p;
}

/// Left of `seam` from a, from it on from b, blended here.
Picture blended_here(const Placed& a, const Placed& b, int64_t seam, int bands) {
    const int64_t width = a.picture.width;
    const int64_t height = a.picture.height;
    const Rect all{0, 0, width, height};
    MultibandCorrection<int16_t> correction(kernels_for(InstructionSet::automatic));
    const BandRanges ranges = band_ranges(all, bands);
    correction.begin(ranges);
    const auto composite = [&](int64_t x, int64_t y, int c) {
        return int{(x < seam ? a : b).picture.at(x, y)[c]} * 32;
    };
    for (int i = 0; i < 2; ++i) {
        const Placed& s = i == 0 ? a : b;
        std::array<WorkPlane<int16_t>, 3> difference;
        WorkPlane<int16_t> weight;
        for (WorkPlane<int16_t>& p : difference) p.reset(ranges.gauss[0]);
        weight.reset(ranges.gauss[0]);
        for (int64_t y = ranges.gauss[0].y0; y < ranges.gauss[0].y1; ++y) {
            for (int64_t x = ranges.gauss[0].x0; x < ranges.gauss[0].x1; ++x) {
                const int64_t cx = std::clamp<int64_t>(x, 0, width - 1);
                const int64_t cy = std::clamp<int64_t>(y, 0, height - 1);
                *weight.at(x, y) = (cx < seam) == (i == 0) ? kWeightOne : int16_t{0};
                const bool covers = cx >= s.from && cx < s.to;
                for (int c = 0; c < 3; ++c) {
                    const int d = covers ? s.picture.at(cx, cy)[c] * 32 - composite(cx, cy, c) : 0;
                    *difference[static_cast<size_t>(c)].at(x, y) = static_cast<int16_t>(d);
                }
            }
        }
        correction.add(difference, weight);
    }
    const auto& sum = correction.finish();
    Picture out = of_size(width, height);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            for (int c = 0; c < 3; ++c) {
                const int v =
                    (composite(x, y, c) + *sum[static_cast<size_t>(c)].at(x, y) + 16) >> 5;
                out.rgb[static_cast<size_t>(3 * (y * width + x) + c)] =
                    static_cast<uint8_t>(std::clamp(v, 0, 255));
            }
        }
    }
    return out;
}

/// The same by OpenCV, fed with the values times `unit`.
Picture blended_by_opencv(const Placed& a, const Placed& b, int64_t seam, int bands, int unit) {
    const auto width = static_cast<int>(a.picture.width);
    const auto height = static_cast<int>(a.picture.height);
    cv::detail::MultiBandBlender blender(0, bands, CV_32F);
    blender.prepare(cv::Rect(0, 0, width, height));
    for (int i = 0; i < 2; ++i) {
        const Placed& s = i == 0 ? a : b;
        const auto from = static_cast<int>(s.from);
        const auto columns = static_cast<int>(s.to - s.from);
        cv::Mat image(height, columns, CV_16SC3);
        cv::Mat mask(height, columns, CV_8U);
        for (int y = 0; y < height; ++y) {
            for (int x = 0; x < columns; ++x) {
                for (int c = 0; c < 3; ++c) {
                    image.at<cv::Vec3s>(y, x)[c] =
                        static_cast<int16_t>(s.picture.at(from + x, y)[c] * unit);
                }
                mask.at<uint8_t>(y, x) = (from + x < seam) == (i == 0) ? 255 : 0;
            }
        }
        blender.feed(image, mask, cv::Point(from, 0));
    }
    cv::Mat result;
    cv::Mat result_mask;
    blender.blend(result, result_mask);
    Picture out = of_size(width, height);
    for (int y = 0; y < height; ++y) {
        for (int x = 0; x < width; ++x) {
            for (int c = 0; c < 3; ++c) {
                const int v = (result.at<cv::Vec3s>(y, x)[c] + unit / 2) / unit;
                out.rgb[static_cast<size_t>(3 * (y * width + x) + c)] =
                    static_cast<uint8_t>(std::clamp(v, 0, 255));
            }
        }
    }
    return out;
}

Picture hard_cut(const Placed& a, const Placed& b, int64_t seam) {
    Picture out = a.picture;
    for (int64_t y = 0; y < out.height; ++y) {
        for (int64_t x = seam; x < out.width; ++x) {
            std::copy_n(b.picture.at(x, y), 3, out.rgb.data() + 3 * (y * out.width + x));
        }
    }
    return out;
}

struct Agreement {
    double fine, plain, of_cut;
};

Agreement compare(const std::string& name, const Placed& a, const Placed& b, int64_t seam,
                  int bands) {
    const int64_t margin = int64_t{4}
                           << bands;  // what the treatment of the canvas's border reaches
    const Picture ours = blended_here(a, b, seam, bands);
    const Agreement r{psnr(ours, blended_by_opencv(a, b, seam, bands, 32), margin),
                      psnr(ours, blended_by_opencv(a, b, seam, bands, 1), margin),
                      psnr(ours, hard_cut(a, b, seam), margin)};
    UNSCOPED_INFO(name << ", " << bands << " bands: " << r.fine
                       << " dB against OpenCV at 5 fraction bits, " << r.plain
                       << " dB at 8-bit values; the hard cut: " << r.of_cut << " dB");
    return r;
}

/// Rounding at 5 fraction bits at each of the levels, and OpenCV's cutting off, leave more than 60
/// dB; the negative control, not blending at all, is 20 dB away from that.
void check(const Agreement& r) {
    CHECK(r.fine > 60);
    CHECK(r.plain > 36);  // a level or so lost to cutting off at every level of OpenCV's pyramid
    CHECK(r.of_cut < r.fine - 20);
}

Picture waves(int64_t width, int64_t height, double base, double swing, uint64_t seed) {
    Picture p = of_size(width, height);
    uint64_t state = seed;
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            for (int c = 0; c < 3; ++c) {
                state = state * 6364136223846793005ULL + 1442695040888963407ULL;
                const double grain = static_cast<double>(state >> 40) / 16777216.0 * 30 - 15;
                const double v = base + 10 * c +
                                 swing * std::sin(0.03 * static_cast<double>(x) + c) *
                                     std::cos(0.045 * static_cast<double>(y)) +
                                 grain;
                p.rgb[static_cast<size_t>(3 * (y * width + x) + c)] =
                    static_cast<uint8_t>(std::clamp(std::lround(v), 0L, 255L));
            }
        }
    }
    return p;
}

}  // namespace

TEST_CASE("two overlapping made-up pictures blend as in OpenCV", "[multiband][opencv]") {
    const Picture left = waves(640, 512, 90, 40, 1);
    const Picture right = waves(640, 512, 130, 55, 2);
    for (int bands = 1; bands <= 5; ++bands) {
        // Both cover everything: nothing but the arithmetic differs.
        check(compare("covering", {left, 0, 640}, {right, 0, 640}, 301, bands));
    }
    // 150 px of overlap, the seam 75 px from either border: bands that reach less far agree as
    // well.
    for (int bands = 1; bands <= 4; ++bands) {
        check(compare("overlapping", {left, 0, 376}, {right, 226, 640}, 301, bands));
    }
    // 50 px of overlap and bands that reach 124 px: OpenCV's reflected continuations come in.
    const Agreement far = compare("little overlap", {left, 0, 326}, {right, 276, 640}, 301, 5);
    CHECK(far.fine > 40);
    CHECK(far.fine < 60);
}

TEST_CASE("the apple and the orange blend as in OpenCV", "[multiband][opencv]") {
    // The pair of the 1983 paper, as OpenCV's documentation carries it (package opencv-doc).
    const std::filesystem::path folder = "/usr/share/doc/opencv-doc/examples/data";
    if (!std::filesystem::exists(folder / "apple.jpg") ||
        !std::filesystem::exists(folder / "orange.jpg")) {
        WARN("skipped: " << folder << " has no apple.jpg and orange.jpg; install opencv-doc");
        return;
    }
    const Picture apple = load_picture(folder / "apple.jpg");
    const Picture orange = load_picture(folder / "orange.jpg");
    REQUIRE(apple.width == orange.width);
    REQUIRE(apple.height == orange.height);
    const int64_t w = apple.width;
    for (int bands = 2; bands <= 5; ++bands) {
        check(compare("apple and orange", {apple, 0, w}, {orange, 0, w}, w / 2, bands));
    }
}
