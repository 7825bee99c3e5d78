/// Sets whose camera did not stay locked, or whose tags were lost: what is told, in which words.
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <functional>
#include <limits>
#include <string>
#include <vector>

#include "gather/lock_check.hpp"
#include "support/locked_photos.hpp"

namespace broadloom {
namespace {

std::vector<Photo> set_of(size_t count) {
    std::vector<Photo> photos = test::locked(count);
    for (Photo& p : photos) {
        p.tags.lens = "90 mm f/2.8";
        p.tags.serial = "0042";
        p.tags.exposure_s = 1.0 / 125;
        p.tags.focal_mm = 90;
        p.tags.focus_distance_m = 40;
    }
    return photos;
}

bool has(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

/// Words that only someone who knows the program's insides would understand.
bool plain(const std::string& effect) {
    const std::array<const char*, 8> kInside{"solve",        "gain",     "residual", "channel",
                                             "camera group", "optional", "null",     "tag"};
    return effect.size() > 15 && std::none_of(kInside.begin(), kInside.end(),
                                              [&](const char* w) { return has(effect, w); });
}

struct Change {
    std::string what;
    std::function<void(Photo&)> apply;
};

std::vector<Change> changes() {
    return {{"exposure time", [](Photo& p) { p.tags.exposure_s = 1.0 / 60; }},
            {"aperture", [](Photo& p) { p.tags.f_number = 11; }},
            {"ISO", [](Photo& p) { p.tags.iso = 200; }},
            {"exposure mode", [](Photo& p) { p.tags.auto_exposure = true; }},
            {"flash", [](Photo& p) { p.tags.flash_fired = true; }},
            {"white balance", [](Photo& p) { p.tags.auto_white_balance = true; }},
            {"focal length", [](Photo& p) { p.tags.focal_mm = 85; }},
            {"focus distance", [](Photo& p) { p.tags.focus_distance_m = 4; }},
            {"focus mode", [](Photo& p) { p.tags.manual_focus = false; }},
            {"size", [](Photo& p) { p.info.stored_width = 5000; }},
            {"camera", [](Photo& p) { p.tags.model = "H-25"; }},
            {"serial number", [](Photo& p) { p.tags.serial = "0043"; }},
            {"lens", [](Photo& p) { p.tags.lens = "85 mm f/4"; }}};
}

TEST_CASE("each setting that differs is one finding with value, usual and a plain effect",
          "[gather_lock]") {
    CHECK(check_lock(set_of(7)).empty());
    for (const Change& change : changes()) {
        INFO(change.what);
        std::vector<Photo> photos = set_of(7);
        change.apply(photos[3]);
        const std::vector<Finding> findings = check_lock(photos);
        REQUIRE(findings.size() == 1);
        CHECK(findings[0].frame == "A_3.jpg");
        CHECK(findings[0].what == change.what);
        CHECK_FALSE(findings[0].value.empty());
        CHECK_FALSE(findings[0].usual.empty());
        CHECK(findings[0].value != findings[0].usual);
        CHECK(plain(findings[0].effect));
    }
    CHECK_FALSE(plain("the gain of each channel is solved"));
}

TEST_CASE("a frame that differs in everything is told once a setting, in frame order",
          "[gather_lock]") {
    std::vector<Photo> photos = set_of(7);
    for (const size_t i : {5, 2}) {
        for (const Change& change : changes()) change.apply(photos[i]);
    }
    const std::vector<Finding> findings = check_lock(photos);
    REQUIRE(findings.size() == 2 * changes().size());
    for (size_t k = 0; k < findings.size(); ++k) {
        CHECK(findings[k].frame == (k < changes().size() ? "A_2.jpg" : "A_5.jpg"));
    }
}

TEST_CASE("stops are those of the shutter, the aperture and the ISO", "[gather_lock]") {
    const auto effect = [](const std::function<void(Photo&)>& apply) {
        std::vector<Photo> photos = set_of(5);
        apply(photos[1]);
        const std::vector<Finding> findings = check_lock(photos);
        REQUIRE(findings.size() == 1);
        return findings[0].effect;
    };
    // Full steps of the nominal scales, 1/125 to 1/60, f/8 to f/11 and f/16 (common practice).
    CHECK(has(effect([](Photo& p) { p.tags.exposure_s = 1.0 / 60; }), "1 stop brighter"));
    CHECK(has(effect([](Photo& p) { p.tags.f_number = 11; }), "1 stop darker"));
    CHECK(has(effect([](Photo& p) { p.tags.f_number = 16; }), "2 stops darker"));
    CHECK(has(effect([](Photo& p) { p.tags.iso = 250; }), "1 1/3 stops brighter"));
    CHECK_FALSE(has(effect([](Photo& p) { p.tags.iso = 50; }), "brighter"));
    // A lens from 90 to 85 mm: 85/90 - 1 = -5.6 % (computed).
    CHECK(has(effect([](Photo& p) { p.tags.focal_mm = 85; }), "5.6 % smaller"));
}

TEST_CASE("zeros, negative and endless numbers count as not recorded", "[gather_lock]") {
    for (const double nonsense : {0.0, -1.0, std::nan(""), std::numeric_limits<double>::infinity(),
                                  -std::numeric_limits<double>::infinity()}) {
        std::vector<Photo> photos = set_of(5);
        for (auto member : {&PhotoTags::exposure_s, &PhotoTags::f_number, &PhotoTags::iso,
                            &PhotoTags::focal_mm, &PhotoTags::focus_distance_m}) {
            photos[2].tags.*member = nonsense;
        }
        const std::vector<Finding> findings = check_lock(photos);
        REQUIRE(findings.size() == 1);
        CHECK(findings[0].frame.empty());
        for (const char* what : {"exposure time", "aperture", "ISO", "focal length",
                                 "focus distance", "1 of 5 frames (A_2.jpg)"}) {
            CHECK(has(findings[0].value, what));
        }
        // In the whole set: nothing to compare, nothing to tell.
        for (Photo& p : photos) p.tags = photos[2].tags;
        CHECK(check_lock(photos).empty());
    }
    std::vector<Photo> huge = set_of(3);
    huge[1].tags.exposure_s = 1e300;
    huge[2].tags.iso = 1e-300;
    CHECK(check_lock(huge).size() == 2);
}

TEST_CASE("all on automatic is told once a setting and with what it may do", "[gather_lock]") {
    std::vector<Photo> photos = set_of(40);
    for (Photo& p : photos) {
        p.tags.auto_exposure = p.tags.auto_white_balance = p.tags.flash_fired = true;
        p.tags.manual_focus = false;
    }
    const std::vector<Finding> findings = check_lock(photos);
    REQUIRE(findings.size() == 4);
    for (const Finding& f : findings) {
        CHECK(f.frame.empty());
        CHECK(plain(f.effect));
    }
}

TEST_CASE("names and values of untrusted files are printable in findings", "[gather_lock]") {
    std::vector<Photo> photos = set_of(4);
    photos[1].tags.lens = "90\x1b[31m";
    const std::vector<Finding> findings = check_lock(photos);
    REQUIRE(findings.size() == 1);
    CHECK_FALSE(has(findings[0].value, "\x1b"));
}

TEST_CASE("an orientation of nonsense counts as upright, and ties are left alone",
          "[gather_lock]") {
    std::vector<Photo> photos = set_of(4);
    const std::array<int, 4> flags{0, 1, 77, -6};
    for (size_t i = 0; i < 4; ++i) photos[i].orientation = flags[i];
    CHECK(settle_orientation(photos, std::nullopt).empty());
    for (const Photo& p : photos) CHECK(p.orientation == 1);

    std::vector<Photo> tie = set_of(4);
    for (size_t i = 0; i < 4; ++i) tie[i].orientation = i < 2 ? 6 : 8;
    CHECK(settle_orientation(tie, std::nullopt).empty());
    CHECK(tie[0].orientation == 6);
    CHECK(tie[3].orientation == 8);
    // Control: ten to two is a majority.
    std::vector<Photo> steep = set_of(12);
    for (size_t i = 0; i < 12; ++i) steep[i].orientation = i < 10 ? 6 : 8;
    const std::vector<Finding> told = settle_orientation(steep, std::nullopt);
    REQUIRE(told.size() == 2);
    CHECK(told[0].frame == "A_10.jpg");
    CHECK(plain(told[0].effect));
    for (const Photo& p : steep) CHECK(p.orientation == 6);
    std::vector<Photo> none;
    CHECK(settle_orientation(none, std::nullopt).empty());
}

}  // namespace
}  // namespace broadloom
