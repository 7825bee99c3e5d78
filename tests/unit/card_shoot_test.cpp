// Made-up cards: the order and times of their files, and that the pixels show what the truth says.
#include "support/card_shoot.hpp"

#include <turbojpeg.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <set>
#include <stdexcept>
#include <string>
#include <vector>

#include "base/file_io.hpp"
#include "broadloom/camera.hpp"
#include "broadloom/photometry.hpp"
#include "io/photo_tags.hpp"
#include "support/close_to.hpp"
#include "support/scratch_folder.hpp"

namespace broadloom::test {
namespace {

using broadloom::testing::close_to;
using broadloom::testing::file_bytes;
using broadloom::testing::ScratchFolder;
using Cells = std::vector<std::array<int64_t, 2>>;

/// Decoded R, G, B.
Picture decoded(const std::filesystem::path& file) {
    const auto bytes = file_bytes(file);
    const tjhandle handle = tjInitDecompress();
    int width = 0;
    int height = 0;
    int subsampling = 0;
    int space = 0;
    Picture p;
    bool good = tjDecompressHeader3(handle, bytes.data(), bytes.size(), &width, &height,
                                    &subsampling, &space) == 0;
    if (good) {
        p.width = width;
        p.height = height;
        p.rgb.resize(static_cast<size_t>(3) * static_cast<size_t>(width * height));
        good = tjDecompress2(handle, bytes.data(), bytes.size(), p.rgb.data(), width, 0, height,
                             TJPF_RGB, TJFLAG_ACCURATEDCT) == 0;
    }
    tjDestroy(handle);
    REQUIRE(good);
    return p;
}

double luma(const Picture& p, int64_t x, int64_t y) {
    const uint8_t* c = p.at(x, y);
    return 0.299 * c[0] + 0.587 * c[1] + 0.114 * c[2];
}

/// Standard deviation of luma about the mean of its own 8 x 8 block, over all whole blocks.
double block_deviation(const Picture& p) {
    double sum_sq = 0;
    double count = 0;
    for (int64_t by = 0; by + 8 <= p.height; by += 8) {
        for (int64_t bx = 0; bx + 8 <= p.width; bx += 8) {
            double mean = 0;
            double square = 0;
            for (int64_t k = 0; k < 64; ++k) {
                const double v = luma(p, bx + k % 8, by + k / 8);
                mean += v / 64;
                square += v * v / 64;
            }
            sum_sq += square - mean * mean;
            count += 1;
        }
    }
    return std::sqrt(sum_sq / count);
}

/// Linear light at a place between pixels.
std::array<double, 3> light_at(const Picture& p, Vec2 at) {
    return PictureSampler(p, false, false).at(at.x, at.y);
}

/// Mean difference, in encoded levels, between the two frames of a pair where they overlap, after
/// gain and vignetting are undone in the picture; `yaw_off_deg` turns the second frame.
double overlap_difference(const Card& card, size_t a, size_t b, const Picture& pa,
                          const Picture& pb, double yaw_off_deg) {
    const Lens lens(card.truth.cameras.at("main"));
    const Frame& fa = card.truth.frames[a];
    const Frame& fb = card.truth.frames[b];
    const Rotation ra = Rotation::from_yaw_pitch_roll_deg(*fa.yaw_deg, *fa.pitch_deg, fa.roll_deg);
    const Rotation rb =
        Rotation::from_yaw_pitch_roll_deg(*fb.yaw_deg + yaw_off_deg, *fb.pitch_deg, fb.roll_deg);
    double sum = 0;
    double count = 0;
    for (int64_t y = 6; y < pa.height - 6; y += 3) {
        for (int64_t x = 6; x < pa.width - 6; x += 3) {
            const Vec2 pixel{static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5};
            const auto ab = lens.undistort(pixel);
            const auto seen = lens.project(rb.to_camera(ra.to_world({ab->x, ab->y, 1})));
            if (!seen || seen->x < 6 || seen->y < 6 ||
                seen->x > static_cast<double>(pb.width) - 6 ||
                seen->y > static_cast<double>(pb.height) - 6) {
                continue;
            }
            const auto la = light_at(pa, pixel);
            const auto lb = light_at(pb, *seen);
            for (size_t c = 0; c < 3; ++c) {
                const double va = la[c] * fa.gain[c] / lens.vignetting(pixel);
                const double vb = lb[c] * fb.gain[c] / lens.vignetting(*seen);
                sum += 255 * std::abs(srgb_encode(va) - srgb_encode(vb));
                count += 1;
            }
        }
    }
    REQUIRE(count > 300);
    return sum / count;
}

/// Notes the directions that it is asked for, row after row.
class Listener : public CardWorld {
  public:
    void light(const double* longitude_deg, const double* latitude_deg, size_t count,
               float* rgb) const override {
        longitude.insert(longitude.end(), longitude_deg, longitude_deg + count);
        latitude.insert(latitude.end(), latitude_deg, latitude_deg + count);
        std::fill(rgb, rgb + 3 * count, 0.2F);
    }
    mutable std::vector<double> longitude, latitude;
};

CardOptions rough_options() {
    CardOptions o;
    o.rows = 2;
    o.columns = 3;
    o.width = 240;
    o.height = 160;
    o.aim_error_deg = 0.3;
    o.roll_error_deg = 0.3;
    o.radial = {-0.1, 0, 0};
    o.field_of_view_deg = 20;
    o.vignetting = {-0.3, -0.05, 0};
    o.gain_spread_stops = 1.0 / 3;
    return o;
}

}  // namespace

TEST_CASE("cells come in the order of the shoot", "[card]") {
    ShootOrder order;
    CHECK(cells_in_order(2, 3, order) == Cells{{0, 0}, {1, 0}, {0, 1}, {1, 1}, {0, 2}, {1, 2}});
    order.back_and_forth = true;
    order.down = false;
    order.right = false;
    CHECK(cells_in_order(2, 3, order) == Cells{{1, 2}, {0, 2}, {0, 1}, {1, 1}, {1, 0}, {0, 0}});
    order = {false, true, false, true};
    CHECK(cells_in_order(2, 3, order) == Cells{{0, 2}, {0, 1}, {0, 0}, {1, 0}, {1, 1}, {1, 2}});
    order = {false, false, true, false};
    CHECK(cells_in_order(2, 3, order) == Cells{{1, 0}, {1, 1}, {1, 2}, {0, 0}, {0, 1}, {0, 2}});
}

TEST_CASE("retakes stand where the head was stepped back, and earlier takes are left out",
          "[card]") {
    CardOptions o;
    o.retakes = {{4, 2}, {9, 1}};
    const Card card = plan_card(o);
    REQUIRE(card.frames.size() == 15);
    Cells cells;
    std::string marks;
    for (size_t i = 0; i < card.frames.size(); ++i) {
        const CardFrame& f = card.frames[i];
        cells.push_back({f.row, f.column});
        marks += f.spoilt ? 's' : (f.retaken ? 'r' : '.');
        CHECK(f.retaken != card.truth.frames[i].use);
        CHECK(f.file == card.truth.frames[i].file);
        CHECK(card.truth.frames[i].use == card.truth.frames[i].reason.empty());
        if (i == 0) continue;
        const int64_t wait = f.seconds - card.frames[i - 1].seconds;
        CHECK(wait >= 3);
        CHECK((wait > 15) == card.frames[i - 1].spoilt);
    }
    // Three rows: column 1 is gone through again from its first row, then the ninth step repeated.
    CHECK(cells == Cells{{0, 0},
                         {1, 0},
                         {2, 0},
                         {0, 1},
                         {1, 1},
                         {0, 1},
                         {1, 1},
                         {2, 1},
                         {0, 2},
                         {1, 2},
                         {2, 2},
                         {0, 3},
                         {0, 3},
                         {1, 3},
                         {2, 3}});
    CHECK(marks == "...rs......s...");
    // A cell's two takes are aimed and lit differently.
    CHECK(*card.truth.frames[3].yaw_deg != *card.truth.frames[5].yaw_deg);
    CHECK(std::abs(*card.truth.frames[3].yaw_deg - *card.truth.frames[5].yaw_deg) <= 0.2);

    for (const CardRetake bad : {CardRetake{12, 1}, CardRetake{1, 3}, CardRetake{2, 0}}) {
        o.retakes = {bad};
        CHECK_THROWS_AS(plan_card(o), std::runtime_error);
    }
}

TEST_CASE("names follow the order, or say nothing about it", "[card]") {
    CardOptions o;
    const Card plain = plan_card(o);
    o.shuffled_names = true;
    const Card shuffled = plan_card(o);
    std::vector<std::string> in_order;
    std::vector<std::string> mixed;
    for (size_t i = 0; i < plain.frames.size(); ++i) {
        in_order.push_back(plain.frames[i].file);
        mixed.push_back(shuffled.frames[i].file);
        CHECK(*plain.truth.frames[i].yaw_deg == *shuffled.truth.frames[i].yaw_deg);
    }
    CHECK(std::is_sorted(in_order.begin(), in_order.end()));
    CHECK_FALSE(std::is_sorted(mixed.begin(), mixed.end()));
    std::sort(mixed.begin(), mixed.end());
    CHECK(mixed == in_order);
}

TEST_CASE("columns all round share the circle, others overlap as asked", "[card]") {
    CardOptions o;
    o.columns = 10;
    o.aim_error_deg = 0;
    const Card open = plan_card(o);
    const auto yaw = [](const Card& card, size_t i) { return *card.truth.frames[i].yaw_deg; };
    CHECK(yaw(open, 3) - yaw(open, 0) == close_to(12 * 0.65).margin(1e-9));
    o.all_round = true;
    const Card round = plan_card(o);
    CHECK(yaw(round, 3) - yaw(round, 0) == close_to(36).margin(1e-9));
    CHECK(yaw(round, 27) + 36 - yaw(round, 0) == close_to(360).margin(1e-9));
}

TEST_CASE("gains spread and drift as asked", "[card]") {
    CardOptions o;
    o.rows = 6;
    o.columns = 10;
    o.gain_spread_stops = 0.4;
    const auto range = [](const Card& card, size_t from, size_t to) {
        double low = 99;
        double high = -99;
        for (size_t i = from; i < to; ++i) {
            for (const double g : card.truth.frames[i].gain) {
                low = std::min(low, std::log2(g));
                high = std::max(high, std::log2(g));
            }
        }
        return std::pair(low, high);
    };
    const auto [low, high] = range(plan_card(o), 0, 60);
    CHECK(high - low <= 0.4);
    CHECK(high - low > 0.3);
    o.gain_spread_stops = 0;
    o.gain_drift_stops = 1;
    const Card drifting = plan_card(o);
    CHECK(range(drifting, 0, 1).first == close_to(0).margin(1e-9));
    CHECK(range(drifting, 59, 60).first == close_to(1).margin(1e-9));
    for (size_t i = 1; i < 60; ++i) {  // smooth: no step of a tenth of a stop
        CHECK(std::abs(range(drifting, i, i + 1).first - range(drifting, i - 1, i).first) < 0.1);
    }
}

TEST_CASE("each pixel is asked for in the direction that the truth gives it", "[card]") {
    // Rolled and tilted far up, with a strong lens: the directions of the lattice and between.
    CardOptions o = rough_options();
    o.rows = 1;
    o.columns = 1;
    o.middle_pitch_deg = 55;
    o.roll_error_deg = 2;
    Card card = plan_card(o);
    const ScratchFolder scratch;
    const Listener listener;
    shoot_card(card, listener, scratch.path());
    REQUIRE(listener.longitude.size() == static_cast<size_t>(o.width * o.height));
    const Camera& camera = card.truth.cameras.at("main");
    const Lens lens(camera);
    const Frame& f = card.truth.frames.front();
    const auto worst = [&](double roll_deg) {
        const Rotation r = Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, roll_deg);
        double most = 0;
        for (int64_t y = 0; y < o.height; ++y) {
            for (int64_t x = 0; x < o.width; ++x) {
                const auto i = static_cast<size_t>(y * o.width + x);
                const double lon = listener.longitude[i] * kRadPerDeg;
                const double lat = listener.latitude[i] * kRadPerDeg;
                const Vec3 d{std::sin(lon) * std::cos(lat), -std::sin(lat),
                             std::cos(lon) * std::cos(lat)};
                const auto seen = lens.project(r.to_camera(d));
                REQUIRE(seen);
                most = std::max({most, std::abs(seen->x - static_cast<double>(x) - 0.5),
                                 std::abs(seen->y - static_cast<double>(y) - 0.5)});
            }
        }
        return most;
    };
    INFO("worst " << worst(f.roll_deg) << " px");
    CHECK(worst(f.roll_deg) < 0.01);
    CHECK(worst(f.roll_deg + 0.01) > 0.015);
}

TEST_CASE("overlapping frames agree once the truth is undone, and not when it is off", "[card]") {
    Card card = plan_card(rough_options());
    const ScratchFolder scratch;
    const TextureWorld world(card_pixel_deg(card.options), 1);
    shoot_card(card, world, scratch.path());
    // Frames 0 and 1 are neighbours in a column, 1 and 3 in a row.
    for (const auto& [a, b] : {std::pair<size_t, size_t>{0, 1}, {1, 3}}) {
        const Picture pa = decoded(scratch.path() / card.frames[a].file);
        const Picture pb = decoded(scratch.path() / card.frames[b].file);
        const double right = overlap_difference(card, a, b, pa, pb, 0);
        INFO(right << " levels");
        CHECK(right < 2.6);  // measured: 1.9 and 2.1, noise and JPEG of both frames
        CHECK(overlap_difference(card, a, b, pa, pb, card_pixel_deg(card.options)) > 1.5 * right);
        Card other = card;
        for (double& g : other.truth.frames[b].gain) g *= 1.1;
        CHECK(overlap_difference(other, a, b, pa, pb, 0) > 1.3 * right);
        other = card;
        other.truth.cameras["main"].vignetting = {0, 0, 0};
        CHECK(overlap_difference(other, a, b, pa, pb, 0) > 1.3 * right);
    }
}

TEST_CASE("frames without texture hold noise alone, and no others do", "[card]") {
    CardOptions o;
    o.rows = 4;
    o.columns = 5;
    o.width = 240;
    o.height = 160;
    o.textureless_share = 0.25;
    o.retakes = {{13, 1}};
    Card card = plan_card(o);
    CHECK(card.smooth_cells.size() == 5);
    const std::set<std::array<int64_t, 2>> smooth(card.smooth_cells.begin(),
                                                  card.smooth_cells.end());
    CHECK(smooth.size() == 5);
    const ScratchFolder scratch;
    const TextureWorld world(card_pixel_deg(o), 1);
    shoot_card(card, world, scratch.path());
    size_t textureless = 0;
    for (const CardFrame& f : card.frames) {
        const Picture p = decoded(scratch.path() / f.file);
        const double deviation = block_deviation(p);
        INFO(f.file << " " << deviation);
        if (smooth.count({f.row, f.column}) != 0 && !f.spoilt) CHECK(f.textureless);
        textureless += f.textureless ? 1 : 0;
        // Noise of 1 level in each channel is 0.67 of luma (0.299, 0.587, 0.114: ITU-R BT.601).
        if (f.textureless) {
            CHECK(deviation < 0.67);  // JPEG takes some away; measured: 0.49 at most
        } else {
            CHECK(deviation > 3);  // measured: 6.2 at least
        }
        if (f.spoilt) {
            CHECK(luma(p, p.width / 2, p.height / 2) < 50);
        } else {
            CHECK(luma(p, p.width / 2, p.height / 2) > 50);
        }
    }
    CHECK(textureless >= 5);
    CHECK(textureless <= 7);
}

TEST_CASE("noise has the deviation that was asked for", "[card]") {
    CardOptions o;
    o.rows = 1;
    o.columns = 1;
    o.width = 320;
    o.height = 240;
    o.textureless_share = 1;
    o.quality = 100;
    const TextureWorld world(card_pixel_deg(o), 1);
    for (const double noise : {0.0, 2.0, 4.0}) {
        const ScratchFolder scratch;
        o.noise_levels = noise;
        Card card = plan_card(o);
        shoot_card(card, world, scratch.path());
        const double deviation = block_deviation(decoded(scratch.path() / card.frames[0].file));
        if (noise == 0) {
            CHECK(deviation < 0.2);  // the gradient's own steps
            continue;
        }
        // Of luma, and rounding to levels twice (1/12 each); 64 values about their own mean.
        const double expected =
            std::sqrt((0.299 * 0.299 + 0.587 * 0.587 + 0.114 * 0.114) * noise * noise + 1.0 / 6) *
            std::sqrt(63.0 / 64);
        CHECK(deviation == close_to(expected).epsilon(0.07));
    }
}

TEST_CASE("the texture repeats nowhere and joins behind", "[card]") {
    const double pixel_deg = 0.02;
    const TextureWorld world(pixel_deg, 3);
    constexpr int64_t kSide = 48;
    const auto patch = [&](double longitude, double latitude) {
        std::vector<double> values;
        for (int64_t y = 0; y < kSide; ++y) {
            std::vector<double> lon;
            for (int64_t x = 0; x < kSide; ++x)
                lon.push_back(longitude + pixel_deg * static_cast<double>(x));
            const std::vector<double> lat(kSide, latitude - pixel_deg * static_cast<double>(y));
            std::vector<float> rgb(3 * kSide);
            world.light(lon.data(), lat.data(), kSide, rgb.data());
            for (size_t x = 0; x < kSide; ++x) values.push_back(std::sqrt(rgb[3 * x + 1]));
        }
        double mean = 0;
        for (const double v : values) mean += v / static_cast<double>(values.size());
        double length = 0;
        for (double& v : values) {
            v -= mean;
            length += v * v;
        }
        REQUIRE(length / static_cast<double>(values.size()) > 1e-4);  // it shows something
        for (double& v : values) v /= std::sqrt(length);
        return values;
    };
    const auto likeness = [](const std::vector<double>& a, const std::vector<double>& b) {
        double sum = 0;
        for (size_t i = 0; i < a.size(); ++i) sum += a[i] * b[i];
        return sum;
    };
    const auto here = patch(5, 7);
    CHECK(likeness(here, patch(365, 7)) > 0.999);
    CHECK(likeness(here, patch(5 + 2 * pixel_deg, 7)) < 0.95);
    double most = 0;
    for (int k = 0; k < 300; ++k) {
        const double lon = -170 + 340 * std::fmod(0.618034 * k, 1.0);
        const double lat = -50 + 100 * std::fmod(0.414214 * k, 1.0);
        most = std::max(most, likeness(here, patch(lon, lat)));
    }
    INFO("most alike elsewhere " << most);
    CHECK(most < 0.65);  // measured: 0.48
}

TEST_CASE("a picture lies in the world with its pixels where its scale puts them", "[card]") {
    Picture picture;
    picture.width = 400;
    picture.height = 300;
    picture.rgb.resize(3 * 400 * 300);
    for (size_t i = 0; i < picture.rgb.size(); ++i)
        picture.rgb[i] = static_cast<uint8_t>(i * 37 % 251);
    const CardOptions o = rough_options();
    const Card card = plan_card(o);
    const double scale = picture_scale(card, picture);
    const PictureWorld world(picture, scale);
    // The middle of pixel (123, 45), x to the right and y down from the picture's corner.
    const double lon = (123.5 - 200) / scale;
    const double lat = (150 - 45.5) / scale;
    std::array<float, 3> rgb{};
    for (const double turns : {0.0, 360.0, -360.0}) {
        const double at = lon + turns;
        world.light(&at, &lat, 1, rgb.data());
        for (size_t c = 0; c < 3; ++c) {
            const double expected = srgb_decode(picture.at(123, 45)[c] / 255.0);
            CHECK(static_cast<double>(rgb[c]) == close_to(expected).margin(1e-5));
        }
    }
    // All frames' corners are inside, and not with a tenth to spare.
    const Lens lens(card.truth.cameras.at("main"));
    double reach = 0;
    for (const Frame& f : card.truth.frames) {
        const Rotation r = Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg);
        for (const Vec2 pixel : {Vec2{0, 0}, Vec2{240, 0}, Vec2{0, 160}, Vec2{240, 160}}) {
            const auto ab = lens.undistort(pixel);
            const Vec3 d = normalized(r.to_world({ab->x, ab->y, 1}));
            const double x = std::abs(std::atan2(d.x, d.z)) * kDegPerRad * scale / 200;
            const double y = std::abs(std::asin(d.y)) * kDegPerRad * scale / 150;
            reach = std::max({reach, x, y});
        }
    }
    CHECK(reach < 1);
    CHECK(reach > 0.9);
}

TEST_CASE("files carry the camera's data: time, and a focal length that may be overstated",
          "[card]") {
    CardOptions o = rough_options();
    o.rows = 1;
    o.columns = 2;
    o.focal_misstatement = 0.05;
    Card card = plan_card(o);
    const ScratchFolder scratch;
    shoot_card(card, TextureWorld(card_pixel_deg(o), 1), scratch.path());
    const PhotoTags first = read_photo_tags(scratch.path() / card.frames[0].file, "first");
    const PhotoTags second = read_photo_tags(scratch.path() / card.frames[1].file, "second");
    CHECK(first.make == "Harrow");
    CHECK(first.model == "H-24");
    REQUIRE(first.time_s);
    REQUIRE(second.time_s);
    CHECK(*second.time_s - *first.time_s == static_cast<double>(card.frames[1].seconds));
    // By the diagonal: the frame's half diagonal is seen under the same angle as 21.633 mm.
    const double focal = 120 / std::tan(10 * kRadPerDeg);
    const double equivalent = focal / std::hypot(120.0, 80.0) * std::hypot(18.0, 12.0);
    REQUIRE(first.focal_35mm);
    REQUIRE(first.focal_mm);
    CHECK(*first.focal_35mm == close_to(1.05 * equivalent).margin(0.5));
    CHECK(*first.focal_mm == close_to(1.05 * equivalent).margin(0.006));
    CHECK(std::abs(*first.focal_mm - equivalent) > 1);
}

TEST_CASE("the same options make the same bytes, another seed makes others", "[card]") {
    CardOptions o = rough_options();
    const TextureWorld world(card_pixel_deg(o), 1);
    const auto bytes = [&] {
        const ScratchFolder scratch;
        Card card = plan_card(o);
        shoot_card(card, world, scratch.path());
        std::vector<uint8_t> all;
        for (const CardFrame& f : card.frames) {
            const auto file = file_bytes(scratch.path() / f.file);
            all.insert(all.end(), file.begin(), file.end());
        }
        return all;
    };
    const auto once = bytes();
    CHECK(once == bytes());
    o.seed = 2;
    CHECK(once != bytes());
}

}  // namespace broadloom::test
