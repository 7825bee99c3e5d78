// Registration of pairs on photographs of a made-up texture with known cameras, and on made-up
// features.
#include "match/pairs.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <map>

#include "support/world_noise.hpp"

using namespace broadloom;
using namespace broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

Camera camera_of(int64_t width, int64_t height, double focal_px, double k1 = 0) {
    Camera c;
    c.width = width;
    c.height = height;
    c.focal_px = focal_px;
    c.radial = {k1, 0, 0};
    return c;
}

/// Texture on the sphere of directions without detail finer than six pixels at 900 pixels a radian.
double texture(Vec3 d, int64_t seed) {
    const Vec3 u = normalized(d);
    double sum = 0;
    double height = 1;
    for (const double frequency : {12.0, 25.0, 50.0, 100.0, 150.0}) {
        sum += height * (noise3(frequency * u, seed + floor_of(frequency)) - 0.5);
        height *= 0.8;
    }
    return 128 + 110 * sum;
}

struct Light {
    double gain = 1, bias = 0, noise = 1;  ///< levels
};

GreyImage photograph(const Camera& camera, const Rotation& rotation, int64_t seed,
                     int64_t noise_seed, const Light& light = {}) {
    GreyImage g;
    g.width = camera.width;
    g.height = camera.height;
    const Lens lens(camera);
    for (int64_t y = 0; y < g.height; ++y) {
        for (int64_t x = 0; x < g.width; ++x) {
            const auto ab =
                lens.undistort({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
            double sum = -6;  // of twelve uniform numbers: about normal
            for (int64_t k = 0; k < 12; ++k) sum += random_unit(x, y, noise_seed * 12 + k);
            const double v = texture(rotation.to_world({ab->x, ab->y, 1}), seed);
            g.pixels.push_back(static_cast<uint8_t>(std::clamp<long>(
                std::lround(light.gain * v + light.bias + light.noise * sum), 0, 255)));
        }
    }
    return g;
}

FeatureSet features_of(const GreyImage& g) { return find_features(g, g.width, g.height, 1500); }

Rotation turned(double yaw, double pitch, double roll) {
    return Rotation::from_yaw_pitch_roll_deg(yaw, pitch, roll);
}

/// Where the true cameras put a's point in b.
std::optional<Vec2> truth(const Camera& a, const Camera& b, const Rotation& a_from_b, Vec2 p) {
    const auto ab = Lens(a).undistort(p);
    if (!ab) return std::nullopt;
    return Lens(b).project(a_from_b.to_camera({ab->x, ab->y, 1}));
}

/// Share of the matches that the true cameras confirm to `limit_px`.
double share_true(const std::vector<Match>& matches, const Camera& a, const Camera& b,
                  const Rotation& a_from_b, double limit_px) {
    size_t good = 0;
    for (const Match& m : matches) {
        const auto at = truth(a, b, a_from_b, m.a);
        if (at && std::hypot(at->x - m.b.x, at->y - m.b.y) < limit_px) ++good;
    }
    return static_cast<double>(good) / static_cast<double>(std::max<size_t>(1, matches.size()));
}

double degrees_between(const Rotation& p, const Rotation& q) {
    const Rotation r = p * q.inverse();
    const Vec3 axis{r.m[2][1] - r.m[1][2], r.m[0][2] - r.m[2][0], r.m[1][0] - r.m[0][1]};
    return std::atan2(norm(axis), r.m[0][0] + r.m[1][1] + r.m[2][2] - 1) * kDegPerRad;
}

/// Made-up features: a point with a random descriptor, about 512 long.
void add_feature(FeatureSet& set, Vec2 at, int64_t look, int64_t grain = 0) {
    set.points.push_back({static_cast<float>(at.x), static_cast<float>(at.y), 4, 0, 1});
    for (int64_t k = 0; k < static_cast<int64_t>(kDescriptorBytes); ++k) {
        const double v =
            75 * random_unit(look, k, 77) + (grain != 0 ? 6 * random_unit(look, k, grain) : 0);
        set.descriptors.push_back(static_cast<uint8_t>(v));
    }
}

FeatureSet empty_set(const Camera& c) {
    FeatureSet s;
    s.width = c.width;
    s.height = c.height;
    return s;
}

}  // namespace

TEST_CASE("pairs register for any roll, with focal length and lens misstated",
          "[pairs][register]") {
    struct Case {
        double k1, misstated, yaw, pitch, roll;
    };
    for (const Case& c :
         {Case{0, 1, 24, 0, 0}, Case{0, 1.05, 24, 1, 0.3}, Case{0, 0.95, -24, 0.5, 180},
          Case{0.1, 1.05, 22, -2, 90}, Case{-0.1, 0.95, 3, 15, -33}, Case{-0.1, 1.05, -22, 0, 0.2},
          Case{0.1, 0.95, 20, 8, 140}}) {
        CAPTURE(c.k1, c.misstated, c.yaw, c.pitch, c.roll);
        const Camera real = camera_of(640, 480, 700, c.k1);
        const Camera stated = camera_of(640, 480, 700 * c.misstated);
        const Rotation a_from_b = turned(c.yaw, c.pitch, c.roll);
        const FeatureSet a = features_of(photograph(real, {}, 1, 1));
        const FeatureSet b = features_of(photograph(real, a_from_b, 1, 2));
        const std::vector<PairLink> links = register_pair(3, 8, a, b, stated, stated);
        REQUIRE(links.size() == 1);
        const PairLink& link = links[0];
        CHECK(link.a == 3);
        CHECK(link.b == 8);
        CHECK(link.accepted);
        CHECK(link.matches.size() > 60);
        CHECK(link.tentative >= link.matches.size());
        CHECK(link.rms_px < 1);
        CHECK(share_true(link.matches, real, real, a_from_b, 1.5) > 0.97);
        // The control: two degrees off, the same measure says no.
        CHECK(share_true(link.matches, real, real, a_from_b * turned(2, 0, 0), 1.5) < 0.1);
        // Lens and focal length trade with the turn: as much as they are misstated.
        CHECK(degrees_between(link.a_from_b, a_from_b) < 3);
    }
}

TEST_CASE("a registration is the same each time, and exact where the camera is", "[pairs]") {
    const Camera c = camera_of(640, 480, 700, -0.05);
    const Rotation a_from_b = turned(20, 4, 12);
    const FeatureSet a = features_of(photograph(c, {}, 1, 1));
    const FeatureSet b = features_of(photograph(c, a_from_b, 1, 2));
    const auto one = register_pair(0, 1, a, b, c, c);
    const auto two = register_pair(0, 1, a, b, c, c);
    REQUIRE(one.size() == 1);
    REQUIRE(two.size() == 1);
    CHECK(one[0].a_from_b.m == two[0].a_from_b.m);
    CHECK(one[0].matches.size() == two[0].matches.size());
    // A degree is 12 pixels here.
    CHECK(degrees_between(one[0].a_from_b, a_from_b) < 0.2);
}

TEST_CASE("frames that share nothing are not registered", "[pairs][register]") {
    const Camera c = camera_of(640, 480, 700);
    std::vector<FeatureSet> others;
    for (int64_t seed = 1; seed <= 6; ++seed) {
        others.push_back(features_of(photograph(c, {}, seed * 1000, seed)));
    }
    for (size_t i = 0; i < others.size(); ++i) {
        for (size_t j = i + 1; j < others.size(); ++j) {
            for (const PairLink& link : register_pair(i, j, others[i], others[j], c, c)) {
                CHECK_FALSE(link.accepted);
            }
        }
    }
    // The same texture, looked at where the frames do not meet.
    const FeatureSet far = features_of(photograph(c, turned(120, 0, 0), 1000, 9));
    for (const PairLink& link : register_pair(0, 1, others[0], far, c, c)) {
        CHECK_FALSE(link.accepted);
    }
    CHECK(register_pair(0, 1, FeatureSet{}, others[0], c, c).empty());
    CHECK(register_pair(0, 1, FeatureSet{}, FeatureSet{}, c, c).empty());
}

TEST_CASE("a small thing that moved does not register two frames", "[pairs][register]") {
    const Camera c = camera_of(640, 480, 700);
    FeatureSet a = empty_set(c);
    FeatureSet b = empty_set(c);
    const auto fill = [&](double extent) {
        a = empty_set(c);
        b = empty_set(c);
        for (int64_t i = 0; i < 40; ++i) {
            const Vec2 p{200 + extent * random_unit(i, 1), 200 + extent * random_unit(i, 2)};
            add_feature(a, p, i);
            add_feature(b, {p.x + 100, p.y}, i, 5);
        }
        for (int64_t i = 0; i < 300; ++i) {
            add_feature(a, {640 * random_unit(i, 3), 480 * random_unit(i, 4)}, 1000 + i);
            add_feature(b, {640 * random_unit(i, 5), 480 * random_unit(i, 6)}, 2000 + i);
        }
    };
    fill(25);
    CHECK(register_pair(0, 1, a, b, c, c).empty());
    fill(150);  // the control: as many matches over a wider place
    CHECK(register_pair(0, 1, a, b, c, c).size() == 1);
}

TEST_CASE("a repeating scene keeps both registrations; the head chooses one", "[pairs][register]") {
    const Camera c = camera_of(640, 480, 700);
    const Lens lens(c);
    const Rotation first = turned(10, 0, 0);
    const Rotation second = turned(19, 0, 0);
    FeatureSet a = empty_set(c);
    FeatureSet b = empty_set(c);
    for (int64_t i = 0; i < 400; ++i) {
        const Vec2 p{640 * random_unit(i, 1), 480 * random_unit(i, 2)};
        const auto ab = lens.undistort(p);
        const auto at = lens.project((i % 5 < 3 ? first : second).to_camera({ab->x, ab->y, 1}));
        if (!at || at->x < 1 || at->x > 639 || at->y < 1 || at->y > 479) continue;
        add_feature(a, p, i);
        add_feature(b, *at, i, 5);
    }
    const auto both = register_pair(0, 1, a, b, c, c);
    REQUIRE(both.size() == 2);
    CHECK(both[0].matches.size() > both[1].matches.size());
    CHECK(degrees_between(both[0].a_from_b, first) < 0.3);
    CHECK(degrees_between(both[1].a_from_b, second) < 0.3);

    RegisterOptions options;
    options.candidates = 1;
    CHECK(register_pair(0, 1, a, b, c, c, options).size() == 1);
    options.candidates = 3;
    options.predicted = turned(19.5, 0.3, 0);
    options.prior_deg = 2;
    const auto guided = register_pair(0, 1, a, b, c, c, options);
    REQUIRE(guided.size() == 1);
    CHECK(degrees_between(guided[0].a_from_b, second) < 0.3);
    options.predicted = turned(-15, 0, 0);
    CHECK(register_pair(0, 1, a, b, c, c, options).empty());
}

TEST_CASE("guided matches lie within the radius and include the true ones", "[pairs][guided]") {
    const Camera c = camera_of(640, 480, 700, 0.05);
    const Rotation a_from_b = turned(9, 3, 75);
    FeatureSet a = empty_set(c);
    FeatureSet b = empty_set(c);
    size_t near = 0;
    for (int64_t i = 0; i < 500; ++i) {
        const Vec2 p{640 * random_unit(i, 1), 480 * random_unit(i, 2)};
        const auto at = truth(c, c, a_from_b, p);
        if (!at || at->x < 20 || at->x > 620 || at->y < 20 || at->y > 460) continue;
        const bool far = i % 4 == 0;
        add_feature(a, p, i);
        add_feature(b, {at->x + (far ? 9 : 3), at->y - 2}, i, 5);
        near += far ? 0 : 1;
    }
    REQUIRE(near > 60);
    const auto matches = guided_matches(a, b, c, c, a_from_b, 6);
    CHECK(matches.size() == near);
    CHECK(share_true(matches, c, c, a_from_b, 6) == 1);
    // The control: wider, the others come in.
    CHECK(guided_matches(a, b, c, c, a_from_b, 12).size() == a.points.size());
    CHECK(guided_matches(a, b, c, c, a_from_b * turned(0, 10, 0), 6).size() < near / 10);
}

TEST_CASE("refined matches are true to a twentieth of a pixel", "[pairs][refine]") {
    struct Case {
        Rotation a_from_b;
        Light light;
    };
    for (const Case& t :
         {Case{turned(18, 2, 1), {1, 0, 1.5}}, Case{turned(15, -4, 40), {0.8, 12, 1.5}},
          Case{turned(-10, 6, 170), {1.1, -8, 2}}}) {
        const Camera c = camera_of(640, 480, 700, -0.06);
        const GreyImage a = photograph(c, {}, 1, 1, {1, 0, 1.5});
        const GreyImage b = photograph(c, t.a_from_b, 1, 2, t.light);
        std::vector<Match> rough;
        double start_sum = 0;
        for (int64_t i = 0; i < 1500; ++i) {
            const Vec2 p{640 * random_unit(i, 1), 480 * random_unit(i, 2)};
            const auto at = truth(c, c, t.a_from_b, p);
            if (!at || at->x < 25 || at->x > 615 || at->y < 25 || at->y > 455) continue;
            const Vec2 off{2 * random_unit(i, 3) - 1, 2 * random_unit(i, 4) - 1};
            start_sum += off.x * off.x + off.y * off.y;
            rough.push_back({p, {at->x + off.x, at->y + off.y}});
        }
        REQUIRE(rough.size() > 200);
        const auto refined = refine_matches(a, b, c, c, t.a_from_b, rough, 3, 120);
        CHECK(refined.size() >= 100);
        CHECK(refined.size() <= 120);
        Vec2 mean;
        double sum = 0;
        for (const Match& m : refined) {
            const auto at = truth(c, c, t.a_from_b, m.a);
            REQUIRE(at);
            mean = {mean.x + m.b.x - at->x, mean.y + m.b.y - at->y};
            sum += std::pow(m.b.x - at->x, 2) + std::pow(m.b.y - at->y, 2);
        }
        const auto n = static_cast<double>(refined.size());
        const double rms = std::sqrt(sum / n / 2);
        UNSCOPED_INFO("RMS " << rms << " a coordinate, mean " << mean.x / n << " " << mean.y / n
                             << ", of " << refined.size());
        CHECK(rms < 0.05);
        CHECK_THAT(mean.x / n, WithinAbs(0, 0.02));
        CHECK_THAT(mean.y / n, WithinAbs(0, 0.02));
        // The control: that is what they began with.
        CHECK(std::sqrt(start_sum / static_cast<double>(rough.size()) / 2) > 0.4);
        // Spread: each quarter of their extent holds some.
        std::map<std::pair<bool, bool>, int> quarter;
        Vec2 middle;
        for (const Match& m : rough) middle = {middle.x + m.a.x, middle.y + m.a.y};
        const auto all = static_cast<double>(rough.size());
        middle = {middle.x / all, middle.y / all};
        for (const Match& m : refined) ++quarter[{m.a.x < middle.x, m.a.y < middle.y}];
        for (const auto& [where, count] : quarter) CHECK(count > 8);
        CHECK(quarter.size() == 4);
    }
}

TEST_CASE("windows that cannot be trusted are dropped", "[pairs][refine]") {
    const Camera c = camera_of(640, 480, 700);
    const Rotation a_from_b = turned(12, 0, 0);
    const GreyImage a = photograph(c, {}, 1, 1);
    const GreyImage b = photograph(c, a_from_b, 1, 2);
    std::vector<Match> matches;
    std::vector<Match> far;
    for (int64_t i = 0; i < 60; ++i) {
        const Vec2 p{250 + 300 * random_unit(i, 1), 60 + 350 * random_unit(i, 2)};
        const auto at = truth(c, c, a_from_b, p);
        matches.push_back({p, *at});
        far.push_back({p, {at->x + 1.5, at->y + 1.5}});
    }
    const size_t good = refine_matches(a, b, c, c, a_from_b, matches, 3, 60).size();
    CHECK(good > 40);  // the control of what follows
    // Another scene; no texture; texture in one direction only; moved farther than allowed.
    const GreyImage other = photograph(c, a_from_b, 5000, 2);
    CHECK(refine_matches(a, other, c, c, a_from_b, matches, 3, 60).size() <= 1);
    GreyImage grey = a;
    for (int64_t y = 0; y < a.height; ++y) {
        for (int64_t x = 0; x < a.width; ++x) {
            grey.pixels[static_cast<size_t>(y * a.width + x)] =
                static_cast<uint8_t>(120 + floor_of(3 * random_unit(x, y, 9)));
        }
    }
    CHECK(refine_matches(grey, grey, c, c, {}, matches, 3, 60).empty());
    for (int64_t y = 0; y < a.height; ++y) {
        for (int64_t x = 0; x < a.width; ++x) {
            grey.pixels[static_cast<size_t>(y * a.width + x)] = static_cast<uint8_t>(
                std::lround(120 + 60 * std::sin(0.3 * static_cast<double>(x))));
        }
    }
    CHECK(refine_matches(grey, grey, c, c, {}, matches, 3, 60).empty());
    CHECK(refine_matches(a, b, c, c, a_from_b, far, 1, 60).empty());
    CHECK(refine_matches(a, b, c, c, a_from_b, far, 3, 60).size() > 30);
    CHECK(refine_matches(a, b, c, c, a_from_b, {}, 3, 60).empty());
    CHECK(refine_matches(a, b, c, c, a_from_b, matches, 3, 0).empty());
}

TEST_CASE("frames that overlap are found by what they show, for any number of threads",
          "[pairs][similar]") {
    const Camera c = camera_of(480, 360, 500);
    std::vector<FeatureSet> frames;
    std::vector<double> yaw;
    // A row in a mixed order, 51 degrees wide each, a step of 26; and two frames of elsewhere.
    for (const int place : {4, 0, 6, 2, 5, 1, 3}) {
        yaw.push_back(26 * place);
        frames.push_back(features_of(photograph(c, turned(yaw.back(), 0, place * 50.0), 1, place)));
    }
    frames.push_back(features_of(photograph(c, {}, 7000, 1)));
    frames.push_back(features_of(photograph(c, {}, 8000, 1)));
    const auto pairs = similar_pairs(frames, 3, 1);
    CHECK(similar_pairs(frames, 3, 2) == pairs);
    CHECK(similar_pairs(frames, 3, 5) == pairs);
    CHECK(std::is_sorted(pairs.begin(), pairs.end()));
    for (size_t i = 0; i < yaw.size(); ++i) {
        for (size_t j = i + 1; j < yaw.size(); ++j) {
            const bool neighbours = std::abs(yaw[i] - yaw[j]) < 27;
            const bool found =
                std::find(pairs.begin(), pairs.end(), std::pair(i, j)) != pairs.end();
            CAPTURE(yaw[i], yaw[j]);
            if (neighbours) CHECK(found);
        }
    }
    for (const auto& [i, j] : pairs) CHECK(i < j);
    // A frame alone, and none.
    CHECK(similar_pairs({}, 3, 2).empty());
    CHECK(similar_pairs(std::span(frames).first(1), 3, 2).empty());
    // With room for one partner only the list is shorter.
    CHECK(similar_pairs(frames, 1, 2).size() < pairs.size());
}

TEST_CASE("real hand-held sets register", "[pairs][real]") {
    const char* photos = std::getenv("BROADLOOM_PHOTOS");
    if (photos == nullptr) {
        WARN("skipped: BROADLOOM_PHOTOS does not name the folder of real photographs");
        return;
    }
    struct Set {
        std::string name;
        std::vector<std::string> files;
        double focal_px, rms_px;
    };
    // Focal lengths: as stated with the sets, else the long side.
    for (const Set& set :
         {Set{"arches_a", {"JDW_0302.jpg", "JDW_0303.jpg"}, 565, 1.0},
          Set{"river", {"river1.jpg", "river2.jpg"}, 1049, 1.0},
          Set{"trees", {"trees_rotate_01.jpg", "trees_rotate_03.jpg"}, 800, 3.0},
          Set{"grass", {"grass_rotate_02.jpg", "grass_rotate_03.jpg"}, 800, 3.0}}) {
        CAPTURE(set.name);
        std::vector<FeatureSet> frames;
        std::vector<Camera> cameras;
        FramePixels scratch;
        for (const std::string& file : set.files) {
            const std::filesystem::path path = std::filesystem::path(photos) / set.name / file;
            REQUIRE(std::filesystem::exists(path));
            const FrameInfo info = probe_frame(path, file);
            const GreyImage g = read_grey(path, file, info, info.orientation, 1, scratch);
            cameras.push_back(camera_of(g.width, g.height, set.focal_px));
            frames.push_back(find_features(g, g.width, g.height, 2500));
        }
        const auto links = register_pair(0, 1, frames[0], frames[1], cameras[0], cameras[1]);
        REQUIRE_FALSE(links.empty());
        CHECK(links[0].accepted);
        CHECK(links[0].matches.size() > 150);
        CHECK(links[0].rms_px < set.rms_px);
    }
}
