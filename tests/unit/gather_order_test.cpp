/// Whole sets in capture order, however they were numbered, split, doubled, shuffled or bracketed.
/// Numbering of files (four characters, then 0001 to 9999) and folders (100 to 999): CIPA DC-009.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <random>
#include <string>
#include <vector>

#include "gather/sequence.hpp"
#include "support/scratch_folder.hpp"

namespace broadloom {
namespace {

using Names = std::vector<std::string>;

constexpr double kNoon = 1936612800;  // 2031-05-15 12:00:00 by the camera's clock

Photo photo(const std::string& path, std::optional<double> time_s = std::nullopt) {
    Photo p;
    p.path = path;
    p.name = path;
    p.info.jpeg = true;
    p.tags.time_s = time_s;
    if (time_s) p.tags.time_text = "2031:05:15 12:00:00";
    return p;
}

std::string numbered(const std::string& prefix, int number, int digits = 4) {
    char text[16];
    std::snprintf(text, sizeof text, "%0*d", digits, number);
    return prefix + text + ".JPG";
}

/// The photos one after the other, shuffled the same way every time.
std::vector<Photo> shuffled(std::vector<Photo> photos) {
    std::mt19937 random(7);
    for (size_t i = photos.size(); i > 1; --i) std::swap(photos[i - 1], photos[random() % i]);
    return photos;
}

struct Ordered {
    Names order, notes;
    [[nodiscard]] size_t told(const std::string& part) const {
        return static_cast<size_t>(
            std::count_if(notes.begin(), notes.end(),
                          [&](const std::string& n) { return n.find(part) != std::string::npos; }));
    }
};

Names names(const std::vector<Photo>& photos) {
    Names result;
    for (const Photo& p : photos) result.push_back(p.name);
    return result;
}

Ordered ordered(std::vector<Photo> photos) {
    Ordered result;
    order_by_capture(photos, result.notes);
    result.order = names(photos);
    return result;
}

TEST_CASE("a run of forty over the end of the numbering stays in order under any prefix",
          "[gather_order]") {
    struct Numbering {
        std::string prefix;
        int digits;
    };
    // Five digits in a name of eight: the first is the prefix's, the last four count.
    for (const auto& [prefix, digits] : std::vector<Numbering>{
             {"ABC_", 4}, {"_ABC", 4}, {"AB-7", 4}, {"ABC", 5}, {"IMG", 5}, {"trip 3 ABC_", 4}}) {
        std::vector<Photo> photos;
        for (int i = 0; i < 40; ++i) {
            photos.push_back(photo(numbered(prefix, (9979 + i) % 9999 + 1, digits)));
        }
        INFO(prefix);
        const Names wanted = names(photos);
        REQUIRE(wanted[19] == numbered(prefix, 9999, digits));
        REQUIRE(wanted[20] == numbered(prefix, 1, digits));
        const Ordered o = ordered(shuffled(photos));
        CHECK(o.order == wanted);
        CHECK(o.told("goes over its end") == 1);
        // Control: plain natural order begins with 0001.
        Names plain = wanted;
        std::sort(plain.begin(), plain.end(), natural_less);
        CHECK(plain.front() == numbered(prefix, 1, digits));
        CHECK(plain != wanted);
    }
}

TEST_CASE("numbers that go on past 9999 do not wrap", "[gather_order]") {
    for (const std::string prefix : {"ABC", "frame"}) {  // five digits in a short and a long name
        std::vector<Photo> photos;
        for (int i = 9990; i < 10010; ++i) photos.push_back(photo(numbered(prefix, i, 5)));
        const Ordered o = ordered(shuffled(photos));
        CHECK(o.order == names(photos));
        CHECK(o.told("goes over its end") == 0);
    }
    // A longer name counts with all its digits: 09999 and 00001 are far from its end.
    CHECK(ordered({photo("frame09999.JPG"), photo("frame00001.JPG")}).order.front() ==
          "frame00001.JPG");
}

TEST_CASE("a card's folders that fill up are one run by name and by time", "[gather_order]") {
    for (const bool timed : {false, true}) {
        std::vector<Photo> photos;
        const auto add = [&](const std::string& folder, int number) {
            const double t = kNoon + 0.4 * static_cast<double>(photos.size());
            photos.push_back(photo(numbered("card/" + folder + "/ABC_", number),
                                   timed ? std::optional(t) : std::nullopt));
        };
        for (int i = 9990; i <= 9999; ++i) add("100HARRO", i);
        for (int i = 1; i <= 9; ++i) add("101HARRO", i);
        for (int i = 1; i <= 9; ++i) add("102HARRO", i);  // numbered anew in each folder
        const Ordered o = ordered(shuffled(photos));
        CHECK(o.order == names(photos));
        CHECK(o.told("disagree") == 0);
        if (!timed) continue;
        // Control: one frame an hour late is told, by its name, and stands where the time says.
        *photos[3].tags.time_s += 3600;
        const Ordered late = ordered(shuffled(photos));
        CHECK(late.told("disagree") == 1);
        CHECK(late.order.back() == "card/100HARRO/ABC_9993.JPG");
        CHECK(late.told("ABC_9993.JPG") == 1);
    }
}

TEST_CASE("a note on time against name says how many frames and which rule won", "[gather_order]") {
    const Ordered o = ordered({photo("ABC_0001.JPG", kNoon + 20), photo("ABC_0002.JPG", kNoon),
                               photo("ABC_0003.JPG", kNoon + 10)});
    CHECK(o.order == Names{"ABC_0002.JPG", "ABC_0003.JPG", "ABC_0001.JPG"});
    REQUIRE(o.notes.size() == 1);
    CHECK(o.told("disagree for 1 frame,") == 1);
    CHECK(o.told("ABC_0001.JPG: taken after ABC_0003.JPG") == 1);
    CHECK(o.told("the order is by time") == 1);
}

TEST_CASE("sub-seconds decide within a second, names where these are equal", "[gather_order]") {
    const Ordered o = ordered({photo("ABC_0001.JPG", kNoon + 0.5), photo("ABC_0002.JPG", kNoon),
                               photo("ABC_0004.JPG", kNoon + 1), photo("ABC_0003.JPG", kNoon + 1)});
    CHECK(o.order == Names{"ABC_0002.JPG", "ABC_0001.JPG", "ABC_0003.JPG", "ABC_0004.JPG"});
    CHECK(o.told("disagree") == 1);
}

TEST_CASE("frames without a time are told even where the others' times are all the same",
          "[gather_order]") {
    const Ordered o = ordered({photo("b.jpg", kNoon), photo("c.jpg"), photo("a.jpg", kNoon)});
    CHECK(o.order == Names{"a.jpg", "b.jpg", "c.jpg"});
    CHECK(o.told("the same") == 1);
    CHECK(o.told("1 frame without a capture time: c.jpg") == 1);
    // Control: nothing of the kind where all have one.
    CHECK(ordered({photo("b.jpg", kNoon), photo("a.jpg", kNoon)}).told("without") == 0);
}

TEST_CASE("names of untrusted files are printed without control characters", "[gather_order]") {
    const Ordered o = ordered({photo("a\x1b[31m.jpg", kNoon), photo("b.jpg")});
    REQUIRE(o.told("without a capture time") + o.told("the same") >= 1);
    CHECK(o.told("\x1b") == 0);
}

TEST_CASE("a set of raws and JPEGs is half as many frames, the chosen kind of each",
          "[gather_order]") {
    std::vector<Photo> photos;
    for (int i = 1; i <= 6; ++i) {
        photos.push_back(photo(numbered("d/ABC_", i), kNoon + i + 0.25));
        Photo raw = photo("d/abc_000" + std::to_string(i) + ".dng", kNoon + i);
        raw.raw = true;
        raw.info.jpeg = false;
        photos.push_back(raw);
    }
    photos[4].tags.time_s = kNoon + 600;  // another exposure under the third raw's name
    for (const Prefer prefer : {Prefer::raw, Prefer::jpeg}) {
        std::vector<Photo> merged = shuffled(photos);
        Names notes;
        merge_twins(merged, prefer, notes);
        CHECK(merged.size() == 7);
        CHECK(std::count_if(merged.begin(), merged.end(), [](const Photo& p) { return p.raw; }) ==
              (prefer == Prefer::raw ? 6 : 1));
        CHECK(std::count_if(merged.begin(), merged.end(),
                            [](const Photo& p) { return p.twin.has_value(); }) == 5);
        REQUIRE(notes.size() == 2);
        CHECK(notes[0].find("5 frames of raw") != std::string::npos);
        CHECK(notes[1].find("two frames") != std::string::npos);
    }
}

/// Three exposures of each of eight aims.
std::vector<Photo> bracketed(double step_stops) {
    std::vector<Photo> photos;
    for (int i = 0; i < 24; ++i) {
        photos.push_back(photo(numbered("ABC_", i + 1), kNoon + i));
        photos.back().tags.exposure_s = std::exp2((i % 3 - 1) * step_stops) / 125;
        photos.back().tags.iso = 100;
        photos.back().tags.f_number = 8;
    }
    return photos;
}

TEST_CASE("brackets of a third of a stop to three stops are refused, smaller steps are none",
          "[gather_order]") {
    for (const double step : {1.0 / 3, 0.5, 2.0 / 3, 1.0, 2.0, 3.0}) {
        INFO(step);
        const std::string problem = bracketing_problem(bracketed(step));
        CHECK(problem.find("three exposures") != std::string::npos);
        CHECK(problem.find("ABC_0001.JPG") != std::string::npos);
        CHECK(problem.find("one exposure of each aim") != std::string::npos);
    }
    CHECK(bracketing_problem(bracketed(0.1)).empty());
}

TEST_CASE("a bracket is seen through a missing frame, lost tags are no bracket", "[gather_order]") {
    std::vector<Photo> gap = bracketed(2);
    gap.erase(gap.begin() + 22);
    CHECK_FALSE(bracketing_problem(gap).empty());
    std::vector<Photo> bare = bracketed(2);
    for (Photo& p : bare) p.tags = PhotoTags{};
    CHECK(bracketing_problem(bare).empty());
    // A camera that metered each frame: rows of sky and ground alternate without a bracket.
    std::vector<Photo> metered = bracketed(2);
    for (Photo& p : metered) p.tags.auto_exposure = true;
    CHECK(bracketing_problem(metered).empty());
    for (Photo& p : metered) p.tags.auto_bracket = true;
    CHECK_FALSE(bracketing_problem(metered).empty());
}

TEST_CASE("two folders given by hand are both read, each file once", "[gather_order]") {
    const testing::ScratchFolder folder;
    for (const std::string day : {"first", "second"}) {
        std::filesystem::create_directories(folder / day);
        for (const char* name : {"ABC_0002.JPG", "ABC_0001.JPG"}) {
            std::ofstream(folder / (day + "/" + name), std::ios::binary) << "\xFF\xD8\xFF\xE0";
        }
    }
    Names notes;
    const auto found =
        list_pictures({folder / "first", folder / "second", folder / "first/ABC_0001.JPG"}, notes);
    REQUIRE(found.size() == 4);
    CHECK(found[0] == folder / "first/ABC_0001.JPG");
    CHECK(found[3] == folder / "second/ABC_0002.JPG");
    CHECK(notes.empty());
}

}  // namespace
}  // namespace broadloom
