#include "support/card_shoot.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstdio>
#include <stdexcept>

#include "base/file_io.hpp"
#include "base/parallel.hpp"
#include "broadloom/camera.hpp"
#include "broadloom/photometry.hpp"
#include "support/exif_jpeg.hpp"
#include "support/world_noise.hpp"

namespace broadloom::test {

namespace {

constexpr int64_t kStep = 4;                // pixels between directions worked out exactly
constexpr double kDiagonal35mm = 43.26661;  // of a 36 x 24 mm frame (CIPA DCG-001)

/// The sRGB curve from a table, in levels, for light of 0..2; exact to 0.01 levels.
class Encoder {
  public:
    Encoder() {
        for (size_t i = 0; i < table_.size(); ++i) {
            const double root = static_cast<double>(i) / kScale;
            table_[i] = static_cast<float>(255 * srgb_encode(root * root));
        }
    }
    [[nodiscard]] float levels(float light) const {
        const float at = std::sqrt(std::clamp(light, 0.0F, 2.0F)) * static_cast<float>(kScale);
        const auto i = std::min(static_cast<size_t>(at), table_.size() - 2);
        const float t = at - static_cast<float>(i);
        return table_[i] + t * (table_[i + 1] - table_[i]);
    }

  private:
    static constexpr double kScale = 2880;  // 4096 / sqrt(2)
    std::vector<float> table_ = std::vector<float>(4100);
};

/// About normal, standard deviation 1: the sum of four even ones.
float bell(uint64_t key) {
    key += 0x9e3779b97f4a7c15ULL;  // SplitMix64's finaliser
    key = (key ^ (key >> 30U)) * 0xbf58476d1ce4e5b9ULL;
    key = (key ^ (key >> 27U)) * 0x94d049bb133111ebULL;
    key ^= key >> 31U;
    const auto part = [&](unsigned shift) { return static_cast<int>(key >> shift & 0xffffU); };
    const int sum = part(0) + part(16) + part(32) + part(48) - 2 * 65535;
    return static_cast<float>(sum) * (1.7320508F / 65535);
}

/// One lattice row of directions.
struct NodeRow {
    std::vector<double> longitude, latitude, smooth;
    explicit NodeRow(size_t n) : longitude(n), latitude(n), smooth(n) {}
};

/// The clear light of a patch without texture.
std::array<float, 3> gradient(double longitude_deg, double latitude_deg) {
    const double slow = 0.5 + 0.25 * std::sin(longitude_deg * kRadPerDeg + 0.4) +
                        0.25 * std::sin(1.3 * latitude_deg * kRadPerDeg);
    return {static_cast<float>(0.20 + 0.16 * slow), static_cast<float>(0.28 + 0.15 * slow),
            static_cast<float>(0.40 + 0.12 * slow)};
}

class FramePainter {
  public:
    FramePainter(const Card& card, size_t index, const CardWorld& world)
        : card_(card),
          world_(world),
          o_(card.options),
          frame_(card.truth.frames[index]),
          lens_(card.truth.cameras.at("main")),
          rotation_(Rotation::from_yaw_pitch_roll_deg(*frame_.yaw_deg, *frame_.pitch_deg,
                                                      frame_.roll_deg)),
          spoilt_(card.frames[index].spoilt),
          key_((static_cast<uint64_t>(o_.seed) << 52U) ^ (static_cast<uint64_t>(index) << 34U)),
          nodes_(static_cast<size_t>((o_.width - 1 + kStep - 1) / kStep + 1)) {
        for (int64_t i = 0; i < o_.passers_by; ++i)
            passers_.push_back(passer_of(static_cast<int64_t>(index), i));
        // Smooth cells far from this frame need not be asked for each direction.
        near_ = card.smooth_cells.empty() ? nullptr : &card;
        if (near_ != nullptr) thin_out();
    }

    std::vector<uint8_t> paint(const Encoder& encoder) {
        const auto w = static_cast<size_t>(o_.width);
        std::vector<uint8_t> rgb(3 * w * static_cast<size_t>(o_.height));
        NodeRow above(nodes_);
        NodeRow below(nodes_);
        fill(0, below);
        std::vector<double> longitude(w);
        std::vector<double> latitude(w);
        std::vector<double> smooth(w);
        std::vector<float> light(3 * w);
        for (int64_t y = 0; y < o_.height; ++y) {
            if (y % kStep == 0) {
                std::swap(above, below);
                fill(y + kStep, below);
            }
            const double v = static_cast<double>(y % kStep) / kStep;
            double most_smooth = 0;
            double least_smooth = 1;
            for (size_t x = 0; x < w; ++x) {
                const size_t i = x / kStep;
                const double u = static_cast<double>(x % kStep) / kStep;
                const auto between = [&](const std::vector<double>& a,
                                         const std::vector<double>& b) {
                    const double upper = a[i] + u * (a[i + 1] - a[i]);
                    const double lower = b[i] + u * (b[i + 1] - b[i]);
                    return upper + v * (lower - upper);
                };
                longitude[x] = between(above.longitude, below.longitude);
                latitude[x] = between(above.latitude, below.latitude);
                smooth[x] = near_ != nullptr ? between(above.smooth, below.smooth) : 0;
                most_smooth = std::max(most_smooth, smooth[x]);
                least_smooth = std::min(least_smooth, smooth[x]);
            }
            if (least_smooth < 1) world_.light(longitude.data(), latitude.data(), w, light.data());
            if (most_smooth > 0) blend_gradient(longitude, latitude, smooth, light);
            if (spoilt_) hide(y, light);
            for (const Passer& p : passers_) pass_by(p, y, light);
            record(y, light, encoder, rgb.data() + 3 * w * static_cast<size_t>(y));
        }
        return rgb;
    }

  private:
    void thin_out() {
        const double reach =
            2.2 * std::hypot(static_cast<double>(o_.width), static_cast<double>(o_.height)) *
            card_pixel_deg(o_) * kRadPerDeg;
        Card some;
        some.options = o_;
        for (const auto& cell : card_.smooth_cells) {
            // The cell's own frame says about where it lies.
            for (size_t i = 0; i < card_.frames.size(); ++i) {
                const CardFrame& c = card_.frames[i];
                if (c.row != cell[0] || c.column != cell[1]) continue;
                const Frame& f = card_.truth.frames[i];
                const Vec3 axis =
                    Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, 0).axis();
                if (angle_between(axis, rotation_.axis()) < reach)
                    some.smooth_cells.push_back(cell);
                break;
            }
        }
        near_smooth_ = some;
        near_ = near_smooth_.smooth_cells.empty() ? nullptr : &near_smooth_;
    }

    void fill(int64_t y, NodeRow& row) const {
        const double middle = *frame_.yaw_deg;
        for (size_t i = 0; i < nodes_; ++i) {
            const auto ab = lens_.undistort(
                {0.5 + static_cast<double>(i) * kStep, 0.5 + static_cast<double>(y)});
            if (!ab) throw std::runtime_error("a pixel lies outside what the lens shows");
            const Vec3 d = normalized(rotation_.to_world({ab->x, ab->y, 1}));
            const double longitude = std::atan2(d.x, d.z) * kDegPerRad;
            // Next to its neighbours even across the half turn.
            row.longitude[i] = longitude + 360 * std::round((middle - longitude) / 360);
            row.latitude[i] = std::asin(-d.y) * kDegPerRad;
            row.smooth[i] = near_ != nullptr ? smoothness(*near_, d) : 0;
        }
    }

    static void blend_gradient(const std::vector<double>& longitude,
                               const std::vector<double>& latitude,
                               const std::vector<double>& smooth, std::vector<float>& light) {
        for (size_t x = 0; x < smooth.size(); ++x) {
            if (smooth[x] <= 0) continue;
            const auto plain = gradient(longitude[x], latitude[x]);
            const auto s = static_cast<float>(smooth[x]);
            for (size_t c = 0; c < 3; ++c)
                light[3 * x + c] =
                    s >= 1 ? plain[c] : light[3 * x + c] + s * (plain[c] - light[3 * x + c]);
        }
    }

    /// Something large and dark goes by, blurred along its way.
    void hide(int64_t y, std::vector<float>& light) const {
        const double v = (static_cast<double>(y) / static_cast<double>(o_.height) - 0.55) / 0.38;
        for (int64_t x = 0; x < o_.width; ++x) {
            const double u = (static_cast<double>(x) / static_cast<double>(o_.width) - 0.48) / 0.40;
            const double out = u * u * u * u + v * v * v * v * v * v;
            const auto cover = static_cast<float>(smoothstep(1.25, 0.8, out));
            if (cover <= 0) continue;
            const auto dark = static_cast<float>(0.018 + 0.012 * (v > 0.3 ? 1 : 0) + 0.006 * u);
            for (size_t c = 0; c < 3; ++c) {
                float& l = light[3 * static_cast<size_t>(x) + c];
                l += cover * (dark - l);
            }
        }
    }

    /// An oval of pixels and its light.
    struct Passer {
        double x = 0, y = 0, half_width = 1, half_height = 1;
        std::array<float, 3> light{};
    };
    [[nodiscard]] Passer passer_of(int64_t frame, int64_t number) const {
        const auto random = [&](int64_t salt) {
            return random_unit(frame, 16 * number + salt, 8000 + static_cast<int64_t>(o_.seed));
        };
        const auto w = static_cast<double>(o_.width);
        Passer p{random(0) * w,
                 random(1) * static_cast<double>(o_.height),
                 (0.01 + 0.04 * random(2)) * w,
                 (0.01 + 0.04 * random(3)) * w,
                 {}};
        for (size_t c = 0; c < 3; ++c)
            p.light[c] = static_cast<float>(0.02 + 0.5 * random(4 + static_cast<int64_t>(c)));
        return p;
    }

    void pass_by(const Passer& p, int64_t y, std::vector<float>& light) const {
        const double v = (static_cast<double>(y) + 0.5 - p.y) / p.half_height;
        if (std::abs(v) >= 1) return;
        const double half = std::sqrt(1 - v * v) * p.half_width;
        const int64_t first = std::max<int64_t>(0, std::llround(p.x - half));
        const int64_t last = std::min<int64_t>(o_.width, std::llround(p.x + half));
        for (int64_t x = first; x < last; ++x) {
            for (size_t c = 0; c < 3; ++c) light[3 * static_cast<size_t>(x) + c] = p.light[c];
        }
    }

    void record(int64_t y, const std::vector<float>& light, const Encoder& encoder,
                uint8_t* out) const {
        const std::array<float, 3> per_gain{static_cast<float>(1 / frame_.gain[0]),
                                            static_cast<float>(1 / frame_.gain[1]),
                                            static_cast<float>(1 / frame_.gain[2])};
        const auto noise = static_cast<float>(o_.noise_levels);
        for (int64_t x = 0; x < o_.width; ++x) {
            const auto falloff = static_cast<float>(
                lens_.vignetting({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5}));
            const uint64_t pixel = key_ ^ static_cast<uint64_t>(y * o_.width + x) * 4;
            for (size_t c = 0; c < 3; ++c) {
                const size_t at = 3 * static_cast<size_t>(x) + c;
                float v = encoder.levels(light[at] * falloff * per_gain[c]);
                if (noise > 0) v += noise * bell(pixel + c);
                out[at] = static_cast<uint8_t>(std::clamp(v + 0.5F, 0.0F, 255.0F));
            }
        }
    }

    const Card& card_;
    const CardWorld& world_;
    const CardOptions& o_;
    const Frame& frame_;
    Lens lens_;
    Rotation rotation_;
    bool spoilt_;
    uint64_t key_;
    size_t nodes_;
    Card near_smooth_;  // only its options and smooth cells are used
    std::vector<Passer> passers_;
    const Card* near_ = nullptr;  // null: no smooth cell comes near
};

ExifData exif_of(const Card& card, size_t index) {
    const Camera& camera = card.truth.cameras.at("main");
    ExifData e;
    e.make = "Harrow";
    e.model = "H-24";
    const int64_t seconds = 9 * 3600 + 15 * 60 + card.frames[index].seconds;
    char text[60];
    std::snprintf(text, sizeof text, "2031:06:%02d %02d:%02d:%02d",
                  static_cast<int>(2 + seconds / 86400), static_cast<int>(seconds / 3600 % 24),
                  static_cast<int>(seconds / 60 % 60), static_cast<int>(seconds % 60));
    e.date_time = text;
    e.exposure_num = 1;
    e.exposure_den = 320;
    e.aperture_tenths = 80;
    e.iso = 100;
    const double diagonal =
        std::hypot(static_cast<double>(camera.width), static_cast<double>(camera.height));
    const double focal_35mm =
        camera.focal_px / diagonal * kDiagonal35mm * (1 + card.options.focal_misstatement);
    e.focal_35mm = static_cast<uint16_t>(std::lround(focal_35mm));
    e.focal_hundredths_mm = static_cast<uint32_t>(std::lround(100 * focal_35mm));
    e.width = static_cast<uint32_t>(camera.width);
    e.height = static_cast<uint32_t>(camera.height);
    return e;
}

}  // namespace

void shoot_card(Card& card, const CardWorld& world, const std::filesystem::path& folder) {
    std::filesystem::create_directories(folder / "card");
    card.truth.folder = folder;
    const Encoder encoder;
    std::atomic<size_t> next{0};
    run_workers(processor_count(), [&](int) {
        for (size_t i = next++; i < card.frames.size(); i = next++) {
            FramePainter painter(card, i, world);
            const auto jpeg =
                exif_jpeg(painter.paint(encoder), card.options.width, card.options.height,
                          card.options.quality, exif_of(card, i));
            write_file_atomic(folder / card.frames[i].file,
                              {reinterpret_cast<const char*>(jpeg.data()), jpeg.size()});
        }
    });
}

}  // namespace broadloom::test
