/// Reduced frames hold means of sRGB-encoded values, not of light. On the power part of the curve
/// the encoded value is nearly proportional to a power of the light, so an exposure scales the mean
/// of encoded values as it scales the value itself: the mean's bias against linear light is nearly
/// the same factor in both frames and cancels in their ratio. What remains is of second order in
/// the patch's relative spread, which strong texture, left out here, alone makes large.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <optional>

#include "align/photometric_solve.hpp"
#include "broadloom/photometry.hpp"

namespace broadloom {
namespace {

constexpr int kReach = 2;  // patch of 2 * 2 + 1 reduced pixels
constexpr int kPatch = (2 * kReach + 1) * (2 * kReach + 1);
// Encoded 0..65535. Tone curves of cameras bend before 255; near black flare and noise rule.
constexpr uint16_t kDarkest = static_cast<uint16_t>(0.02 * 65535);
constexpr uint16_t kBrightest = static_cast<uint16_t>(0.97 * 65535);
// Standard deviation of a channel within the patch over its mean.
constexpr double kMostTexture = 0.3;
// Relative error of a bright and smooth patch: interpolation, flare, JPEG's steps.
constexpr double kLeastError = 0.005;
// Error of the mean of a patch in encoded units (0..1): half a level of 255.
constexpr double kEncodedError = 0.5 / 255;

const std::vector<float>& linear_of_encoded() {
    static const std::vector<float> table = [] {
        std::vector<float> values(65536);
        for (size_t i = 0; i < values.size(); ++i)
            values[i] = static_cast<float>(srgb_decode(static_cast<double>(i) / 65535));
        return values;
    }();
    return table;
}

struct Patch {
    std::array<double, 3> mean{};
    double texture = 0;  ///< the largest of the channels' relative standard deviations
};

/// A patch about `centre` whose grid steps are `right` and `down`, all in reduced pixels; nullopt
/// where a pixel is clipped or beyond the image.
std::optional<Patch> read_patch(const ColourImage& image, Vec2 centre, Vec2 right, Vec2 down) {
    const std::vector<float>& linear = linear_of_encoded();
    std::array<double, 3> sum{};
    std::array<double, 3> sum_sq{};
    for (int j = -kReach; j <= kReach; ++j) {
        for (int i = -kReach; i <= kReach; ++i) {
            // -0.5: the first pixel's centre is at (0.5, 0.5).
            const double x = centre.x + i * right.x + j * down.x - 0.5;
            const double y = centre.y + i * right.y + j * down.y - 0.5;
            const double x0 = std::floor(x);
            const double y0 = std::floor(y);
            // Written so that a NaN is refused too.
            if (!(x0 >= 0 && y0 >= 0 && x0 + 1 < static_cast<double>(image.width) &&
                  y0 + 1 < static_cast<double>(image.height)))
                return std::nullopt;
            const double u = x - x0;
            const double v = y - y0;
            const uint16_t* upper = image.at(static_cast<int64_t>(x0), static_cast<int64_t>(y0));
            const uint16_t* lower = upper + 3 * image.width;
            for (size_t c = 0; c < 3; ++c) {
                const std::array<uint16_t, 4> four{upper[c], upper[c + 3], lower[c], lower[c + 3]};
                for (const uint16_t value : four)
                    if (value < kDarkest || value > kBrightest) return std::nullopt;
                const double light = (1 - v) * ((1 - u) * static_cast<double>(linear[four[0]]) +
                                                u * static_cast<double>(linear[four[1]])) +
                                     v * ((1 - u) * static_cast<double>(linear[four[2]]) +
                                          u * static_cast<double>(linear[four[3]]));
                sum[c] += light;
                sum_sq[c] += light * light;
            }
        }
    }
    Patch patch;
    for (size_t c = 0; c < 3; ++c) {
        const double mean = sum[c] / kPatch;
        const double variance = std::max(0.0, sum_sq[c] / kPatch - mean * mean);
        patch.mean[c] = mean;
        patch.texture = std::max(patch.texture, std::sqrt(variance) / mean);
    }
    return patch;
}

/// Expected relative error of the patch's mean in its worst channel; `misplaced` is how far apart
/// the two frames may show the patch, in reduced pixels.
double expected_error(const Patch& patch, double misplaced) {
    // A ramp of slope s has a standard deviation of 1.41 s over 5 pixels.
    const double shift = patch.texture / 1.41 * misplaced;
    const double darkest = srgb_encode(*std::min_element(patch.mean.begin(), patch.mean.end()));
    // d log(light) / d encoded of the curve's power part.
    const double noise = 2.4 * kEncodedError / (darkest + 0.055);
    return std::sqrt(kLeastError * kLeastError + shift * shift + noise * noise);
}

double radius(const Camera& camera, Vec2 pixel) {
    const Vec2 centre = camera.principal_point();
    return std::hypot(pixel.x - centre.x, pixel.y - centre.y) /
           (0.5 *
            std::hypot(static_cast<double>(camera.width), static_cast<double>(camera.height)));
}

/// One pair of frames: from a's pixels to b's, and to a sample.
class PairSampler {
  public:
    PairSampler(const ColourImage& image_a, const ColourImage& image_b, const Camera& camera_a,
                const Camera& camera_b, const Rotation& rotation_a, const Rotation& rotation_b)
        : image_a_(image_a),
          image_b_(image_b),
          lens_a_(camera_a),
          lens_b_(camera_b),
          rotation_a_(rotation_a),
          rotation_b_(rotation_b) {}

    /// Where b shows what a shows at `pixel`; both full size.
    [[nodiscard]] std::optional<Vec2> in_b(Vec2 pixel) const {
        const std::optional<Vec2> ab = lens_a_.undistort(pixel);
        if (!ab) return std::nullopt;
        const Vec3 direction = rotation_b_.to_camera(rotation_a_.to_world({ab->x, ab->y, 1}));
        const std::optional<Vec2> there = lens_b_.project(direction);
        const Camera& camera = lens_b_.camera();
        if (!there || there->x < 0.5 || there->y < 0.5 ||
            there->x > static_cast<double>(camera.width) - 0.5 ||
            there->y > static_cast<double>(camera.height) - 0.5)
            return std::nullopt;
        return there;
    }

    [[nodiscard]] std::optional<PhotometricSample> at(Vec2 pixel) const {
        const double step = image_a_.denominator;
        const std::optional<Vec2> centre = in_b(pixel);
        if (!centre) return std::nullopt;
        const std::optional<Patch> patch_a =
            read_patch(image_a_, {pixel.x / step, pixel.y / step}, {1, 0}, {0, 1});
        if (!patch_a || patch_a->texture > kMostTexture) return std::nullopt;
        // The patch covers the same piece of the world in b, turned and scaled as b shows it.
        const std::optional<Vec2> right = in_b({pixel.x + kReach * step, pixel.y});
        const std::optional<Vec2> down = in_b({pixel.x, pixel.y + kReach * step});
        if (!right || !down) return std::nullopt;
        const double d = image_b_.denominator;
        const double per_step = 1 / (kReach * d);
        const std::optional<Patch> patch_b =
            read_patch(image_b_, {centre->x / d, centre->y / d},
                       {(right->x - centre->x) * per_step, (right->y - centre->y) * per_step},
                       {(down->x - centre->x) * per_step, (down->y - centre->y) * per_step});
        if (!patch_b || patch_b->texture > kMostTexture) return std::nullopt;
        PhotometricSample sample;
        for (size_t c = 0; c < 3; ++c) {
            sample.value_a[c] = static_cast<float>(patch_a->mean[c]);
            sample.value_b[c] = static_cast<float>(patch_b->mean[c]);
        }
        sample.radius_a = static_cast<float>(radius(lens_a_.camera(), pixel));
        sample.radius_b = static_cast<float>(radius(lens_b_.camera(), *centre));
        // A pixel of the full frame, and never less than what placing between reduced pixels costs.
        const double misplaced = std::max(1 / step, 0.25);
        const double error_a = expected_error(*patch_a, misplaced);
        const double error_b = expected_error(*patch_b, misplaced);
        const double best = 2 * kLeastError * kLeastError;
        sample.weight = static_cast<float>(best / (error_a * error_a + error_b * error_b));
        return sample;
    }

    /// The part of a that b sees, found on a grid of kGrid x kGrid.
    struct Overlap {
        double left = 0, top = 0, right = 0, bottom = 0;  ///< full-size pixels of a
        double area = 0;
    };
    [[nodiscard]] Overlap overlap() const {
        constexpr int kGrid = 32;
        const double cell_x = static_cast<double>(lens_a_.camera().width) / kGrid;
        const double cell_y = static_cast<double>(lens_a_.camera().height) / kGrid;
        Overlap found;
        for (int j = 0; j < kGrid; ++j) {
            for (int i = 0; i < kGrid; ++i) {
                if (!in_b({(i + 0.5) * cell_x, (j + 0.5) * cell_y})) continue;
                // A cell more on each side: its neighbour may be seen in part.
                const double left = std::max(0, i - 1) * cell_x;
                const double top = std::max(0, j - 1) * cell_y;
                const double right = std::min(kGrid, i + 2) * cell_x;
                const double bottom = std::min(kGrid, j + 2) * cell_y;
                const bool first = found.area == 0;
                found.left = first ? left : std::min(found.left, left);
                found.top = first ? top : std::min(found.top, top);
                found.right = first ? right : std::max(found.right, right);
                found.bottom = first ? bottom : std::max(found.bottom, bottom);
                found.area += cell_x * cell_y;
            }
        }
        return found;
    }

  private:
    const ColourImage& image_a_;
    const ColourImage& image_b_;
    Lens lens_a_, lens_b_;
    Rotation rotation_a_, rotation_b_;
};

}  // namespace

std::vector<PhotometricSample> sample_overlap(size_t a, size_t b, const ColourImage& image_a,
                                              const ColourImage& image_b, const Camera& camera_a,
                                              const Camera& camera_b, const Rotation& rotation_a,
                                              const Rotation& rotation_b, size_t most) {
    std::vector<PhotometricSample> samples;
    if (most == 0) return samples;
    const PairSampler pair(image_a, image_b, camera_a, camera_b, rotation_a, rotation_b);
    const PairSampler::Overlap overlap = pair.overlap();
    if (overlap.area == 0) return samples;
    const double side = std::max(std::sqrt(overlap.area / static_cast<double>(most)), 1.0);
    const auto columns = static_cast<int64_t>(std::ceil((overlap.right - overlap.left) / side));
    const auto rows = static_cast<int64_t>(std::ceil((overlap.bottom - overlap.top) / side));
    // Of each cell the smoothest of a few places.
    constexpr std::array<double, 2> kPlaces{0.25, 0.75};
    for (int64_t row = 0; row < rows; ++row) {
        for (int64_t column = 0; column < columns; ++column) {
            std::optional<PhotometricSample> best;
            for (const double v : kPlaces) {
                for (const double u : kPlaces) {
                    const std::optional<PhotometricSample> sample =
                        pair.at({overlap.left + (static_cast<double>(column) + u) * side,
                                 overlap.top + (static_cast<double>(row) + v) * side});
                    if (sample && (!best || sample->weight > best->weight)) best = sample;
                }
            }
            if (!best) continue;
            best->a = a;
            best->b = b;
            samples.push_back(*best);
        }
    }
    if (samples.size() > most) {
        // Cells cut by the overlap's edge make a few too many: every so manieth is left out.
        const size_t found = samples.size();
        for (size_t i = 0; i < most; ++i) samples[i] = samples[i * found / most];
        samples.resize(most);
    }
    return samples;
}

}  // namespace broadloom
