/// Which files are pictures, which are one exposure, in which order they were taken, and whether
/// the set is bracketed.
#include "gather/sequence.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <fstream>
#include <string>
#include <vector>

#include "broadloom/error.hpp"
#include "support/scratch_folder.hpp"

namespace broadloom {
namespace {

using testing::ScratchFolder;
using Names = std::vector<std::string>;

constexpr double kMorning = 1936606800;  // 2031-05-15 10:20:00 by the camera's clock

Photo photo(const std::string& path, std::optional<double> time_s = std::nullopt) {
    Photo p;
    p.path = path;
    p.name = path;
    p.info.jpeg = true;
    p.info.stored_width = 6000;
    p.info.stored_height = 4000;
    p.tags.time_s = time_s;
    if (time_s) p.tags.time_text = "2031:05:15 10:20:00";
    return p;
}

Photo raw(const std::string& path, std::optional<double> time_s = std::nullopt) {
    Photo p = photo(path, time_s);
    p.raw = true;
    p.info.jpeg = false;
    return p;
}

Names names(const std::vector<Photo>& photos) {
    Names result;
    for (const Photo& p : photos) result.push_back(p.name);
    return result;
}

struct Ordered {
    Names order, notes;
    [[nodiscard]] bool told(const std::string& part) const {
        return std::any_of(notes.begin(), notes.end(),
                           [&](const std::string& n) { return n.find(part) != std::string::npos; });
    }
};

Ordered ordered(std::vector<Photo> photos) {
    Ordered result;
    order_by_capture(photos, result.notes);
    result.order = names(photos);
    return result;
}

void write(const std::filesystem::path& path, const std::string& bytes) {
    std::filesystem::create_directories(path.parent_path());
    std::ofstream(path, std::ios::binary) << bytes;
}

const std::string kJpeg("\xFF\xD8\xFF\xE0 a picture", 14);

Names file_names(const std::vector<std::filesystem::path>& paths) {
    Names result;
    for (const auto& p : paths) result.push_back(p.filename().native());
    return result;
}

std::string refusal(const std::vector<std::filesystem::path>& inputs) {
    Names notes;
    try {
        list_pictures(inputs, notes);
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::input);
        return e.details() + e.what();
    }
    return "accepted";
}

TEST_CASE("names are compared with their numbers by value", "[sequence]") {
    CHECK(natural_less("IMG_2.JPG", "IMG_10.JPG"));
    CHECK_FALSE(natural_less("IMG_10.JPG", "IMG_2.JPG"));
    CHECK(natural_less("img_0009.jpg", "IMG_0010.JPG"));
    CHECK(natural_less("100XYZ/IMG_9999.JPG", "101XYZ/IMG_0001.JPG"));
    CHECK(natural_less("a/z.jpg", "a1/a.jpg"));
    // Numbers beyond 64 bits.
    CHECK(natural_less("f99999999999999999999998", "f99999999999999999999999"));
    CHECK_FALSE(natural_less("IMG_1.JPG", "IMG_1.JPG"));
    // Equal by value: still one order, and not both ways.
    CHECK(natural_less("IMG_01", "IMG_1") != natural_less("IMG_1", "IMG_01"));
}

TEST_CASE("frames are ordered by time with the fraction of the second, then by name",
          "[sequence]") {
    const Ordered o = ordered({photo("c_3.jpg", kMorning + 0.75), photo("c_1.jpg", kMorning),
                               photo("c_10.jpg", kMorning + 1), photo("c_9.jpg", kMorning + 1),
                               photo("c_2.jpg", kMorning + 0.25)});
    CHECK(o.order == Names{"c_1.jpg", "c_2.jpg", "c_3.jpg", "c_9.jpg", "c_10.jpg"});
    CHECK(o.notes.empty());
}

TEST_CASE("a disagreement of times and names is told once and the time decides", "[sequence]") {
    std::vector<Photo> photos;
    for (int i = 1; i <= 20; ++i) {
        photos.push_back(photo("ABC_" + std::to_string(1000 + i) + ".JPG", kMorning + 3 * i));
    }
    CHECK(ordered(photos).notes.empty());
    // The clock was set back before the last five.
    for (size_t i = 15; i < 20; ++i) *photos[i].tags.time_s -= 3600;
    const Ordered o = ordered(photos);
    CHECK(o.order.front() == "ABC_1016.JPG");
    REQUIRE(o.notes.size() == 1);
    CHECK(o.told("disagree"));
    CHECK(o.told("ABC_1001.JPG"));
}

TEST_CASE("the frames of two cameras go by time without a disagreement", "[sequence]") {
    const Ordered o = ordered({photo("DEF_0001.JPG", kMorning), photo("ABC_0001.JPG", kMorning + 1),
                               photo("DEF_0002.JPG", kMorning + 2)});
    CHECK(o.order == Names{"DEF_0001.JPG", "ABC_0001.JPG", "DEF_0002.JPG"});
    CHECK(o.notes.empty());
}

TEST_CASE("numbering that goes over its end stays one run", "[sequence]") {
    for (const std::string prefix : {"ABC_", "_DSX", "x-1_"}) {
        const std::vector<Photo> photos{photo(prefix + "0001.JPG"), photo(prefix + "0002.JPG"),
                                        photo(prefix + "9998.JPG"), photo(prefix + "9999.JPG")};
        const Ordered o = ordered(photos);
        CHECK(o.order == Names{prefix + "9998.JPG", prefix + "9999.JPG", prefix + "0001.JPG",
                               prefix + "0002.JPG"});
        CHECK(o.told(prefix + "9999.JPG, " + prefix + "0001.JPG"));
    }
    // Control: far from both ends nothing wraps.
    CHECK(ordered({photo("ABC_9000.JPG"), photo("ABC_1000.JPG")}).order ==
          Names{"ABC_1000.JPG", "ABC_9000.JPG"});
    // The times agree with the wrapped order, so there is nothing to tell.
    CHECK(ordered({photo("ABC_0001.JPG", kMorning + 9), photo("ABC_9999.JPG", kMorning)})
              .notes.empty());
    CHECK_FALSE(ordered({photo("ABC_0001.JPG", kMorning), photo("ABC_9999.JPG", kMorning + 9)})
                    .notes.empty());
}

TEST_CASE("sets split over folders stay in order, whether names repeat or go on", "[sequence]") {
    CHECK(ordered({photo("c/101XYZ/A_0001.JPG"), photo("c/100XYZ/A_0002.JPG"),
                   photo("c/101XYZ/A_0002.JPG"), photo("c/100XYZ/A_0001.JPG")})
              .order == Names{"c/100XYZ/A_0001.JPG", "c/100XYZ/A_0002.JPG", "c/101XYZ/A_0001.JPG",
                              "c/101XYZ/A_0002.JPG"});
    CHECK(ordered({photo("c/101XYZ/A_0001.JPG"), photo("c/100XYZ/A_9999.JPG")}).order ==
          Names{"c/100XYZ/A_9999.JPG", "c/101XYZ/A_0001.JPG"});
    CHECK(ordered({photo("c/101XYZ/A_0003.JPG"), photo("c/100XYZ/A_0002.JPG")}).order ==
          Names{"c/100XYZ/A_0002.JPG", "c/101XYZ/A_0003.JPG"});
    // Folders are numbered 100 to 999 (DCF 2.0, CIPA DC-009, from memory).
    CHECK(ordered({photo("c/100XYZAB/A_0003.JPG"), photo("c/999XYZAB/A_0002.JPG")}).order ==
          Names{"c/999XYZAB/A_0002.JPG", "c/100XYZAB/A_0003.JPG"});
    // The same by time, without a word; against the time with one.
    CHECK(ordered(
              {photo("c/100XYZ/A_0002.JPG", kMorning), photo("c/101XYZ/A_0001.JPG", kMorning + 5)})
              .notes.empty());
    CHECK(ordered(
              {photo("c/100XYZ/A_0002.JPG", kMorning + 5), photo("c/101XYZ/A_0001.JPG", kMorning)})
              .told("disagree"));
}

TEST_CASE("without usable times the names decide, and that is told", "[sequence]") {
    const Names by_name{"f_1.png", "f_2.png", "f_10.png"};
    const auto with = [&](std::optional<double> time) {
        return ordered({photo("f_10.png", time), photo("f_2.png", time), photo("f_1.png", time)});
    };
    const Ordered none = with(std::nullopt);
    CHECK(none.order == by_name);
    CHECK(none.told("by name"));
    const Ordered same = with(946684800);  // 2000-01-01, what a clock that was never set shows
    CHECK(same.order == by_name);
    CHECK(same.told("the same"));
    // 1970, running, and against the names: no clock.
    const Ordered unset =
        ordered({photo("f_10.png", 10), photo("f_2.png", 20), photo("f_1.png", 30)});
    CHECK(unset.order == by_name);
    CHECK(unset.told("not set"));
    CHECK(ordered({photo("a.jpg", std::nan("")), photo("b.jpg", 1e300)}).order.size() == 2);
    CHECK(ordered({}).notes.empty());
    CHECK(ordered({photo("a.jpg")}).notes.empty());
}

TEST_CASE("frames without a time stand where their names put them, and are told", "[sequence]") {
    const Ordered o = ordered({photo("f_1.jpg", kMorning), photo("f_2.jpg"), photo("f_3.jpg"),
                               photo("f_4.jpg", kMorning + 9), photo("f_0.jpg")});
    CHECK(o.order == Names{"f_0.jpg", "f_1.jpg", "f_2.jpg", "f_3.jpg", "f_4.jpg"});
    REQUIRE(o.notes.size() == 1);
    CHECK(o.told("f_0.jpg, f_2.jpg, f_3.jpg"));
}

TEST_CASE("raw and JPEG of one exposure are one frame", "[sequence]") {
    std::vector<Photo> photos{photo("d/A_1.JPG", kMorning), raw("d/a_1.xyz", kMorning + 0.4),
                              photo("d/A_2.JPG", kMorning + 9)};
    photos[0].tags.iso = 200;
    for (const Prefer prefer : {Prefer::raw, Prefer::jpeg}) {
        std::vector<Photo> merged = photos;
        Names notes;
        merge_twins(merged, prefer, notes);
        REQUIRE(merged.size() == 2);
        CHECK(merged[0].raw == (prefer == Prefer::raw));
        CHECK(merged[0].twin == (prefer == Prefer::raw ? "d/A_1.JPG" : "d/a_1.xyz"));
        CHECK(merged[0].tags.iso == 200.0);
        CHECK_FALSE(merged[1].twin);
        REQUIRE(notes.size() == 1);
        CHECK(notes[0].find("--prefer") != std::string::npos);
    }
}

TEST_CASE("equal names alone do not make one exposure", "[sequence]") {
    const auto left = [](std::vector<Photo> photos) {
        Names notes;
        merge_twins(photos, Prefer::raw, notes);
        return photos.size();
    };
    // Other times; two JPEGs; other folders without times to vouch for them.
    CHECK(left({photo("d/A_1.JPG", kMorning), raw("d/A_1.xyz", kMorning + 60)}) == 2);
    CHECK(left({photo("d/A_1.JPG"), photo("d/A_1.jpeg")}) == 2);
    CHECK(left({photo("100XYZ/A_1.JPG"), raw("101XYZ/A_1.xyz")}) == 2);
    // One folder without times; two folders with them; a third form beside raw and JPEG.
    CHECK(left({photo("d/A_1.JPG"), raw("d/A_1.xyz")}) == 1);
    CHECK(left({photo("jpg/A_1.JPG", kMorning), raw("raw/A_1.xyz", kMorning)}) == 1);
    Photo developed = photo("d/A_1.TIF", kMorning);
    developed.info.jpeg = false;
    developed.info.bits = 16;
    CHECK(left({photo("d/A_1.JPG", kMorning), raw("d/A_1.xyz", kMorning), developed}) == 1);
    Names notes;
    std::vector<Photo> apart{photo("d/A_1.JPG", kMorning), raw("d/A_1.xyz", kMorning + 60)};
    merge_twins(apart, Prefer::raw, notes);
    REQUIRE(notes.size() == 1);
    CHECK(notes[0].find("d/A_1.JPG") != std::string::npos);
}

/// A set at these exposures, in stops against 1/125 s.
std::vector<Photo> exposed(const std::vector<double>& stops) {
    std::vector<Photo> photos;
    for (const double s : stops) {
        photos.push_back(photo("A_" + std::to_string(photos.size()) + ".jpg"));
        photos.back().tags.exposure_s = std::exp2(s) / 125;
        photos.back().tags.f_number = 8;
        photos.back().tags.iso = 100;
    }
    return photos;
}

TEST_CASE("a bracketed set is refused with its pattern and what to do", "[sequence]") {
    std::vector<double> stops;
    for (int i = 0; i < 12; ++i) stops.insert(stops.end(), {0, -2, 2});
    const std::string problem = bracketing_problem(exposed(stops));
    CHECK(problem.find("three exposures (0, -2, +2 EV) of each aim") != std::string::npos);
    CHECK(problem.find("gather that") != std::string::npos);
    CHECK(bracketing_problem(exposed({0, -1, 0, -1, 0, -1})).find("two") != std::string::npos);
    // By ISO; by the bias alone; by the camera's mark where exposures differ without a pattern.
    std::vector<Photo> by_iso = exposed({0, 0, 0, 0, 0, 0});
    for (size_t i = 0; i < 6; ++i) by_iso[i].tags.iso = i % 2 == 0 ? 100 : 400;
    CHECK_FALSE(bracketing_problem(by_iso).empty());
    std::vector<Photo> by_bias;
    for (int i = 0; i < 9; ++i) {
        by_bias.push_back(photo("A.jpg"));
        by_bias.back().tags.exposure_bias_ev = i % 3 - 1;
    }
    CHECK_FALSE(bracketing_problem(by_bias).empty());
    std::vector<Photo> marked = exposed({0, -1, 1, 1, 0, -1});
    CHECK(bracketing_problem(marked).empty());
    for (Photo& p : marked) p.tags.auto_bracket = true;
    CHECK_FALSE(bracketing_problem(marked).empty());
}

TEST_CASE("locked, drifting and single odd exposures are no bracket", "[sequence]") {
    CHECK(bracketing_problem({}).empty());
    CHECK(bracketing_problem(exposed({0})).empty());
    CHECK(bracketing_problem(exposed(std::vector<double>(24, 0))).empty());
    CHECK(bracketing_problem(exposed({0, 0, 0, -1, 0, 0, 0, 0})).empty());
    std::vector<double> drift;
    for (int i = 0; i < 30; ++i) drift.push_back(i * 0.1);
    CHECK(bracketing_problem(exposed(drift)).empty());
    CHECK(bracketing_problem(exposed({0, -2, 2})).empty());  // one aim only
    // Marked, as for a bracket of white balance: the exposures are the same.
    std::vector<Photo> marked = exposed(std::vector<double>(9, 0));
    for (Photo& p : marked) p.tags.auto_bracket = true;
    CHECK(bracketing_problem(marked).empty());
}

TEST_CASE("pictures are told by their content", "[sequence]") {
    const ScratchFolder folder;
    write(folder / "A_10.JPG", kJpeg);
    write(folder / "A_2", kJpeg);   // no ending
    write(folder / "A_3.jpg", "");  // a frame that the card lost: reported when it is read
    write(folder / "notes.txt", "a list of frames, nothing to look at");
    write(folder / "A_4.THM", kJpeg);  // a film's thumbnail
    write(folder / "._A_10.JPG", kJpeg);
    write(folder / "below/A_5.JPG", kJpeg);
    Names notes;
    CHECK(file_names(list_pictures({folder.path()}, notes)) == Names{"A_2", "A_3.jpg", "A_10.JPG"});
    REQUIRE(notes.size() == 1);
    CHECK(notes[0].find("notes.txt") != std::string::npos);
    CHECK(notes[0].find("hidden") != std::string::npos);
    // Each once, however it is named.
    CHECK(list_pictures({folder / "A_10.JPG", folder / "below/../A_10.JPG", folder.path()}, notes)
              .size() == 3);
}

TEST_CASE("a card's folders are read where their parent has no pictures", "[sequence]") {
    const ScratchFolder folder;
    write(folder / "101XYZ/A_0001.JPG", kJpeg);
    write(folder / "100XYZAB/A_9999.JPG", kJpeg);
    write(folder / "other/A_0002.JPG", kJpeg);
    Names notes;
    CHECK(file_names(list_pictures({folder.path()}, notes)) == Names{"A_9999.JPG", "A_0001.JPG"});
    CHECK(notes.size() == 1);
    write(folder / "own.jpg", kJpeg);
    CHECK(file_names(list_pictures({folder.path()}, notes)) == Names{"own.jpg"});
}

TEST_CASE("missing files, other files and empty folders are all named", "[sequence]") {
    const ScratchFolder folder;
    write(folder / "notes.txt", "a list of frames, nothing to look at");
    write(folder / "a.jpg", kJpeg);
    std::filesystem::create_directories(folder / "empty");
    const std::string said =
        refusal({folder / "a.jpg", folder / "gone.jpg", folder / "notes.txt", folder / "empty"});
    for (const char* name : {"gone.jpg", "notes.txt", "empty"}) {
        CHECK(said.find(name) != std::string::npos);
    }
    CHECK(said.find("a.jpg:") == std::string::npos);
    CHECK(refusal({}) != "accepted");
    CHECK(refusal({folder / "a.jpg"}) == "accepted");
}

}  // namespace
}  // namespace broadloom
