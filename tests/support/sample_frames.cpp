#include "support/sample_frames.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <stdexcept>
#include <utility>

#include "broadloom/photometry.hpp"
#include "support/exif_jpeg.hpp"
#include "support/world_noise.hpp"
#include "support/world_places.hpp"
#include "support/world_scenery.hpp"

namespace broadloom::test {

namespace {

constexpr int64_t kRows = 4, kColumns = 6;
constexpr int64_t kWidth = 1500, kHeight = 1000;
constexpr double kFieldOfViewDeg = 30;  // across
constexpr double kOverlap = 0.35;
constexpr double kMiddlePitchDeg = -3.5;
constexpr double kNoiseLevels = 0.7;
constexpr double kDiagonal35mm = 43.267;  // of a 36 x 24 mm frame (CIPA DCG-001)

/// The lorry passes at this cell's first take; the head is then stepped back by so many frames.
constexpr size_t kSpoiltCell = 15;
constexpr size_t kSteppedBack = 2;
constexpr int64_t kPauseSeconds = 19;
/// First takes of cells taken twice draw their errors and noise from numbers beyond the cells'.
constexpr size_t kFirstTakeNumber = 100;

double spread(int64_t a, int64_t b) { return 2 * random_unit(a, b, 20310514) - 1; }

/// About normal, standard deviation 1: the sum of four even ones.
double bell(size_t frame, int64_t pixel, int64_t channel) {
    double sum = 0;
    for (int64_t i = 0; i < 4; ++i) {
        sum += random_unit(pixel, static_cast<int64_t>(frame) * 64 + channel * 8 + i, 4711) - 0.5;
    }
    return sum * std::sqrt(3.0);
}

/// What a take's errors and noise are drawn from.
size_t number_of(const SampleTake& take) {
    return take.cell + (take.first_of_two ? kFirstTakeNumber : 0);
}

double brightness(Vec3 c) { return std::sqrt(0.25 * c.x + 0.6 * c.y + 0.15 * c.z); }

}  // namespace

std::vector<SampleTake> sample_takes() {
    std::vector<SampleTake> takes;
    for (size_t cell = 0; cell < kRows * kColumns; ++cell) {
        const bool again = cell <= kSpoiltCell && cell + kSteppedBack > kSpoiltCell;
        takes.push_back({cell, again, cell == kSpoiltCell});
        if (cell != kSpoiltCell) continue;
        for (size_t i = cell + 1 - kSteppedBack; i <= cell; ++i) takes.push_back({i, false, false});
    }
    return takes;
}

ProceduralWorld world_with_lorry() {
    Model model = town_model();
    add_lorry(model, place_at(9.4, 30.6, kNearQuayHeight).turned(-3));
    return ProceduralWorld(std::move(model));
}

Scene sample_scene() {
    Scene scene;
    scene.title = "Vellamsund, morning at the harbour";
    scene.credit = "Drawn by the broadloom sample maker";
    scene.rights = "Invented scene; free to use with broadloom";
    Camera camera;
    camera.width = kWidth;
    camera.height = kHeight;
    camera.focal_px =
        std::round(10 * 0.5 * kWidth / std::tan(kFieldOfViewDeg / 2 * kRadPerDeg)) / 10;
    camera.principal_point_px = Vec2{752.4, 498.7};
    camera.radial = {-0.05, 0.01, 0};
    camera.tangential = {0.0004, -0.0003};
    camera.vignetting = {-0.22, -0.11, -0.02};
    scene.cameras["main"] = camera;
    const double across = kFieldOfViewDeg * (1 - kOverlap);
    const double down =
        2 * std::atan(0.5 * kHeight / camera.focal_px) * kDegPerRad * (1 - kOverlap);
    for (const SampleTake& take : sample_takes()) {
        const auto cell = static_cast<int64_t>(take.cell);
        const int64_t c = cell / kRows;
        const int64_t r = cell % kRows;
        const auto n = static_cast<int64_t>(number_of(take));
        Frame f;
        char name[40];
        std::snprintf(name, sizeof name, "frames/%04zu.jpg", scene.frames.size() + 1);
        f.file = name;
        f.camera = "main";
        f.row = r;
        f.column = c;
        f.placed_by = "hand";
        f.yaw_deg = (static_cast<double>(c) - 0.5 * (kColumns - 1)) * across + 0.15 * spread(n, 1);
        f.pitch_deg = kMiddlePitchDeg - (static_cast<double>(r) - 0.5 * (kRows - 1)) * down +
                      0.15 * spread(n, 2);
        f.roll_deg = 0.3 * spread(n, 3);
        // Any two frames differ by at most a third of a stop.
        const double stops = spread(n, 4) * 0.15;
        for (size_t i = 0; i < 3; ++i)
            f.gain[i] = std::exp2(stops + 0.015 * spread(n, 5 + static_cast<int64_t>(i)));
        f.use = !take.first_of_two;
        if (take.spoilt) f.reason = "taken again: a lorry passed before the camera";
        if (take.first_of_two && !take.spoilt)
            f.reason = "taken again: the head was stepped back past it";
        scene.frames.push_back(f);
    }
    return scene;
}

std::array<double, 3> recorded(const ProceduralWorld& world, const Lens& lens, const Frame& frame,
                               int64_t x, int64_t y) {
    const Rotation rotation = Rotation::from_yaw_pitch_roll_deg(
        frame.yaw_deg.value(), frame.pitch_deg.value(), frame.roll_deg);
    Vec3 sum{0, 0, 0};
    int taken = 0;
    // Within a pixel the lens is linear to better than 1e-4 pixels.
    const Vec2 corner{static_cast<double>(x), static_cast<double>(y)};
    const auto o = lens.undistort(corner);
    const auto right = lens.undistort({corner.x + 1, corner.y});
    const auto below = lens.undistort({corner.x, corner.y + 1});
    if (!o || !right || !below) {
        throw std::runtime_error("a pixel lies outside what the lens shows");
    }
    const auto take = [&](double i, double j, double n, int64_t salt) {
        const uint32_t h = hash_of(x, y, salt);
        const double u = (i + (h & 0xffffU) / 65536.0) / n;
        const double v = (j + (h >> 16U) / 65536.0) / n;
        const double a = o->x + u * (right->x - o->x) + v * (below->x - o->x);
        const double b = o->y + u * (right->y - o->y) + v * (below->y - o->y);
        const Vec3 c = world.colour(rotation.to_world({a, b, 1}));
        sum = sum + c;
        ++taken;
        return brightness(c);
    };
    // Four samples tell whether the pixel holds an edge or texture; only then five more, which with
    // the first make about 3 x 3.
    double low = 1;
    double high = 0;
    for (int64_t k = 0; k < 4; ++k) {
        const double b = take(static_cast<double>(k % 2), static_cast<double>(k / 2), 2, k);
        low = std::min(low, b);
        high = std::max(high, b);
    }
    if (high - low > 0.03) {
        constexpr double kCross[5][2] = {{1, 1}, {1, 0}, {0, 1}, {2, 1}, {1, 2}};
        for (int64_t k = 0; k < 5; ++k) take(kCross[k][0], kCross[k][1], 3, 10 + k);
    }
    const double falloff =
        lens.vignetting({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
    const double light[3] = {sum.x, sum.y, sum.z};
    std::array<double, 3> levels{};
    for (size_t c = 0; c < 3; ++c) {
        levels[c] = 255 * srgb_encode(light[c] / taken * falloff / frame.gain[c]);
    }
    return levels;
}

ExifData sample_exif(const Camera& camera, size_t index) {
    ExifData e;
    e.make = "Harrow";
    e.model = "H-24";
    const std::vector<SampleTake> takes = sample_takes();
    const auto column = static_cast<int64_t>(takes.at(index).cell) / kRows;
    // Eleven for the turn to the next column.
    int64_t seconds = 10 * 3600 + 24 * 60 + 7 + 3 * static_cast<int64_t>(index) + 8 * column;
    for (size_t i = 0; i < index; ++i) seconds += takes[i].spoilt ? kPauseSeconds : 0;
    char text[40];
    std::snprintf(text, sizeof text, "2031:05:14 %02d:%02d:%02d", static_cast<int>(seconds / 3600),
                  static_cast<int>(seconds / 60 % 60), static_cast<int>(seconds % 60));
    e.date_time = text;
    e.exposure_num = 1;
    e.exposure_den = 320;
    e.aperture_tenths = 80;
    e.iso = 100;
    const double diagonal =
        std::hypot(static_cast<double>(camera.width), static_cast<double>(camera.height));
    const double focal_35mm = camera.focal_px / diagonal * kDiagonal35mm;
    e.focal_35mm = static_cast<uint16_t>(std::lround(focal_35mm));
    e.focal_hundredths_mm =
        static_cast<uint32_t>(std::lround(100 * focal_35mm));  // a 36 x 24 mm sensor
    e.width = static_cast<uint32_t>(camera.width);
    e.height = static_cast<uint32_t>(camera.height);
    return e;
}

std::vector<uint8_t> make_frame(const ProceduralWorld& world, const Scene& scene, size_t index,
                                int quality) {
    const Frame& frame = scene.frames.at(index);
    const Camera& camera = scene.cameras.at(frame.camera);
    const Lens lens(camera);
    const size_t grain = number_of(sample_takes().at(index));
    const int64_t w = camera.width;
    const int64_t h = camera.height;
    std::vector<uint8_t> rgb(static_cast<size_t>(3 * w * h));
    for (int64_t y = 0; y < h; ++y) {
        for (int64_t x = 0; x < w; ++x) {
            const auto levels = recorded(world, lens, frame, x, y);
            for (size_t c = 0; c < 3; ++c) {
                const double v =
                    levels[c] + kNoiseLevels * bell(grain, y * w + x, static_cast<int64_t>(c));
                rgb[static_cast<size_t>(3 * (y * w + x)) + c] =
                    static_cast<uint8_t>(std::clamp(std::lround(v), 0L, 255L));
            }
        }
    }
    return exif_jpeg(rgb, w, h, quality, sample_exif(camera, index));
}

}  // namespace broadloom::test
