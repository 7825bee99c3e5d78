/// What differs from frame to frame, in the words of photographers.
#include "gather/lock_check.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <string>
#include <vector>

#include "support/locked_photos.hpp"

namespace broadloom {
namespace {

using test::locked;

bool has(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

/// The only finding of a locked set in which one frame was changed.
template <typename Change>
Finding only(Change change) {
    std::vector<Photo> photos = locked(6);
    change(photos[4]);
    const std::vector<Finding> findings = check_lock(photos);
    REQUIRE(findings.size() == 1);
    CHECK(findings[0].frame == "A_4.jpg");
    CHECK_FALSE(findings[0].effect.empty());
    return findings[0];
}

TEST_CASE("a locked set has no findings", "[lock_check]") {
    CHECK(check_lock(locked(6)).empty());
    CHECK(check_lock(locked(1)).empty());
    CHECK(check_lock({}).empty());
    // Nothing recorded at all: nothing differs.
    std::vector<Photo> bare(3);
    CHECK(check_lock(bare).empty());
}

TEST_CASE("an exposure that differs is told in stops", "[lock_check]") {
    const Finding longer = only([](Photo& p) { p.tags.exposure_s = 1.0 / 250; });
    CHECK(longer.what == "exposure time");
    CHECK(longer.value == "1/250 s");
    CHECK(longer.usual == "1/320 s");
    // log2(320/250) = 0.356: a third by nominal shutter speeds.
    CHECK(has(longer.effect, "1/3 stop brighter"));
    CHECK(has(longer.effect, "clipped"));
    const Finding darker = only([](Photo& p) { p.tags.exposure_s = 1.0 / 1280; });
    CHECK(has(darker.effect, "2 stops darker"));
    CHECK(has(only([](Photo& p) { p.tags.exposure_s = 2; }).value, "2 s"));
    // The aperture's area goes with the square: f/8 to f/5.6 is one stop (common practice).
    const Finding open = only([](Photo& p) { p.tags.f_number = 5.6; });
    CHECK(open.what == "aperture");
    CHECK(open.value == "f/5.6");
    CHECK(has(open.effect, "1 stop brighter"));
    const Finding iso = only([](Photo& p) { p.tags.iso = 50; });
    CHECK(iso.value == "ISO 50");
    CHECK(has(iso.effect, "1 stop darker"));
}

TEST_CASE("lens, focus, colour, light, size and camera are watched", "[lock_check]") {
    const Finding focal = only([](Photo& p) { p.tags.focal_mm = 52; });
    CHECK(focal.what == "focal length");
    CHECK(focal.value == "52 mm");
    const Finding focus = only([](Photo& p) { p.tags.focus_distance_m = 3.5; });
    CHECK(focus.what == "focus distance");
    CHECK(focus.value == "3.5 m");
    CHECK(focus.usual == "12 m");
    CHECK(has(focus.effect, "soft"));
    CHECK(has(focus.effect, "magnification"));
    CHECK(only([](Photo& p) { p.tags.manual_focus = false; }).what == "focus mode");
    CHECK(only([](Photo& p) { p.tags.auto_white_balance = true; }).what == "white balance");
    CHECK(only([](Photo& p) { p.tags.auto_exposure = true; }).what == "exposure mode");
    CHECK(only([](Photo& p) { p.tags.flash_fired = true; }).value == "fired");
    const Finding size = only([](Photo& p) {
        p.info.stored_width = 3000;
        p.info.stored_height = 2000;
    });
    CHECK(size.value == "3000 x 2000");
    CHECK(only([](Photo& p) { p.tags.model = "H-25"; }).value == "Harrow H-25");
    CHECK(only([](Photo& p) { p.tags.lens = "35 mm f/2"; }).what == "lens");
}

TEST_CASE("rounding of the tags is no finding", "[lock_check]") {
    std::vector<Photo> photos = locked(4);
    photos[1].tags.exposure_s = 0.0031;  // 1/320 to four decimals
    photos[2].tags.focus_distance_m = 12.2;
    photos[3].tags.focal_mm = 50.1;
    CHECK(check_lock(photos).empty());
}

TEST_CASE("the usual value is the most frequent, of equals the earlier", "[lock_check]") {
    std::vector<Photo> photos = locked(5);
    for (const size_t i : {0, 3}) photos[i].tags.iso = 400;
    const std::vector<Finding> findings = check_lock(photos);
    REQUIRE(findings.size() == 2);
    CHECK(findings[0].frame == "A_0.jpg");
    CHECK(findings[1].frame == "A_3.jpg");
    CHECK(findings[0].usual == "ISO 100");
    photos.pop_back();
    const std::vector<Finding> tie = check_lock(photos);
    REQUIRE(tie.size() == 2);
    CHECK(tie[0].usual == "ISO 400");
}

TEST_CASE("what was on automatic for the whole set is told once", "[lock_check]") {
    std::vector<Photo> photos = locked(5);
    for (Photo& p : photos) p.tags.auto_white_balance = true;
    const std::vector<Finding> findings = check_lock(photos);
    REQUIRE(findings.size() == 1);
    CHECK(findings[0].frame.empty());
    CHECK(findings[0].value == "automatic");
    CHECK(has(findings[0].effect, "colours may drift from frame to frame"));
}

TEST_CASE("a setting that some frames lack is one finding of the set", "[lock_check]") {
    std::vector<Photo> photos = locked(6);
    for (const size_t i : {1, 2, 5}) photos[i].tags.iso.reset();
    const std::vector<Finding> findings = check_lock(photos);
    REQUIRE(findings.size() == 1);
    CHECK(findings[0].frame.empty());
    CHECK(has(findings[0].value, "3 of 6 frames"));
    CHECK(findings[0].usual == "recorded");
}

/// Frames of one size with these flags.
std::vector<Photo> flagged(const std::vector<int>& flags) {
    std::vector<Photo> photos = locked(flags.size());
    for (size_t i = 0; i < flags.size(); ++i) {
        photos[i].info.orientation = flags[i];
        photos[i].orientation = flags[i];
    }
    return photos;
}

std::vector<int> orientations(const std::vector<Photo>& photos) {
    std::vector<int> result;
    for (const Photo& p : photos) result.push_back(p.orientation);
    return result;
}

TEST_CASE("orientation flags that flip follow the majority, and are told", "[orientation]") {
    std::vector<Photo> photos = flagged({6, 6, 8, 6, 3, 6, 6});
    const std::vector<Finding> findings = settle_orientation(photos, std::nullopt);
    CHECK(orientations(photos) == std::vector<int>(7, 6));
    REQUIRE(findings.size() == 2);
    CHECK(findings[0].frame == "A_2.jpg");
    CHECK(findings[1].frame == "A_4.jpg");
    CHECK(findings[0].what == "orientation");
    CHECK(findings[0].value.substr(0, 1) == "8");
    CHECK(findings[0].usual.substr(0, 1) == "6");
    CHECK(has(findings[0].effect, "--orientation"));
    CHECK(photos[2].info.orientation == 8);  // what the file says stays known
    CHECK(settle_orientation(photos, std::nullopt).empty());
}

TEST_CASE("an orientation that was asked for holds for every frame", "[orientation]") {
    std::vector<Photo> photos = flagged({1, 6, 2});
    CHECK(settle_orientation(photos, 3).empty());
    CHECK(orientations(photos) == std::vector<int>(3, 3));
}

TEST_CASE("frames turned in the hand, mirrored ones and other sizes keep their own",
          "[orientation]") {
    std::vector<Photo> hand = flagged({1, 6, 1, 6, 1});
    CHECK(settle_orientation(hand, std::nullopt).empty());
    CHECK(orientations(hand) == std::vector<int>{1, 6, 1, 6, 1});
    std::vector<Photo> mirrored = flagged({1, 1, 2, 1, 1});
    CHECK(settle_orientation(mirrored, std::nullopt).empty());
    CHECK(mirrored[2].orientation == 2);
    std::vector<Photo> sizes = flagged({1, 1, 6, 1, 1});
    sizes[2].info.stored_width = 4000;
    sizes[2].info.stored_height = 6000;
    CHECK(settle_orientation(sizes, std::nullopt).empty());
    CHECK(sizes[2].orientation == 6);
    // Control: of the same size it follows.
    std::vector<Photo> same = flagged({1, 1, 6, 1, 1});
    CHECK(settle_orientation(same, std::nullopt).size() == 1);
}

}  // namespace
}  // namespace broadloom
