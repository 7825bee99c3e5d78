// The way from a folder of photographs through the program itself: what it writes, what it refuses,
// that a decision stays the photographer's, that nothing original is touched.
#include <catch2/catch.hpp>
#include <fstream>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <regex>
#include <string>

#include "base/file_io.hpp"
#include "broadloom/scene.hpp"
#include "support/card_shoot.hpp"
#include "support/dng_file.hpp"
#include "support/expect_failure.hpp"
#include "support/process.hpp"
#include "support/scene_truth.hpp"
#include "support/scratch_folder.hpp"
#include "support/small_scene.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::ScratchFolder;
namespace fs = std::filesystem;

namespace {

/// 3 rows x 4 columns with one retake: place 5 is spoilt, the head goes back by two.
Card small_card(const fs::path& folder, uint32_t seed = 4) {
    struct Shot {
        ScratchFolder folder;
        Card card;
    };
    static std::map<uint32_t, std::unique_ptr<Shot>> shots;  // each photographed once
    std::unique_ptr<Shot>& shot = shots[seed];
    if (!shot) {
        shot = std::make_unique<Shot>();
        CardOptions o;
        o.width = 480;
        o.height = 320;
        o.aim_error_deg = 0.15;
        o.retakes = {{5, 2}};
        o.gain_spread_stops = 0.2;
        o.seed = seed;
        shot->card = plan_card(o);
        shoot_card(shot->card, TextureWorld(card_pixel_deg(o), seed), shot->folder.path());
    }
    fs::copy(shot->folder.path(), folder, fs::copy_options::recursive);
    Card card = shot->card;
    card.truth.folder = folder;
    return card;
}

ProcessResult run(const std::vector<std::string>& arguments, const fs::path& in = {}) {
    std::vector<std::string> command{program()};
    command.insert(command.end(), arguments.begin(), arguments.end());
    ProcessOptions options;
    options.folder = in;
    return run_process(command, options);
}

std::string text_of(const fs::path& file) { return read_file_limited(file, size_t{64} << 20U); }

void replace_in(const fs::path& file, const std::string& from, const std::string& to) {
    std::string text = text_of(file);
    const size_t at = text.find(from);
    REQUIRE(at != std::string::npos);
    write_file_atomic(file, text.replace(at, from.size(), to));
}

/// The card's file of a cell's used take.
fs::path file_of(const Card& card, const fs::path& folder, int64_t row, int64_t column) {
    for (const CardFrame& f : card.frames) {
        if (f.row == row && f.column == column && !f.retaken) return folder / f.file;
    }
    throw std::runtime_error("no such cell");
}

}  // namespace

TEST_CASE("weave goes from the card to both pictures, and --resume goes on", "[pipeline][weave]") {
    const ScratchFolder folder;
    const Card card = small_card(folder.path());
    const auto originals = folder_content(folder / "card");
    const ProcessResult r = run({"weave", "card", "--out", "out"}, folder.path());
    INFO(r.err);
    REQUIRE(r.status == 0);
    CHECK(r.out.empty());
    for (const char* name :
         {"contact.html", "scene.json", "scene.json.before", "align.html", "align.json",
          "draft/index.html", "draft/pano.tif", "full/index.html", "full/pano.tif"}) {
        INFO(name);
        CHECK(fs::exists(folder / "out" / name));
    }
    CHECK(r.err.find("3 rows x 4 columns") != std::string::npos);
    CHECK(r.err.find("12 used, 2 left out") != std::string::npos);
    CHECK(folder_content(folder / "card") == originals);
    const Scene scene = read_scene(folder / "out" / "scene.json", SceneNeeds::orientations);
    CHECK(compare_with_truth(card.truth, scene).rms_px < 0.15);

    // Again: refused, and with --resume nothing is left to do.
    const auto finished = folder_content(folder / "out");
    expect_failure(run({"weave", "card", "--out", "out"}, folder.path()), 2, {"out", "--resume"});
    const ProcessResult again = run({"weave", "card", "--out", "out", "--resume"}, folder.path());
    CHECK(again.status == 0);
    CHECK(folder_content(folder / "out") == finished);

    // One word brings an earlier take back, and it lies where it should.
    std::string left_out;
    for (const Frame& f : scene.frames) {
        if (!f.use) {
            left_out = f.file;
            CHECK(f.reason.find("taken again") != std::string::npos);
            CHECK(f.placed_by == "matches");
        }
    }
    REQUIRE_FALSE(left_out.empty());
    Scene all = scene;
    for (Frame& f : all.frames) f.use = true;
    Scene all_truth = card.truth;
    for (Frame& f : all_truth.frames) f.use = true;
    CHECK(compare_with_truth(all_truth, all).rms_px < 0.5);
    replace_in(folder / "out" / "scene.json", "\"use\": \"left out\"", "\"use\": \"yes\"");
    const ProcessResult back =
        run({"render", "out/scene.json", "--out", "back", "--pass", "draft"}, folder.path());
    INFO(back.err);
    CHECK(back.status == 0);
    CHECK(back.err.find("13 used, 1 left out") != std::string::npos);
}

TEST_CASE("the scene is the same for any threads and memory", "[pipeline][align]") {
    const ScratchFolder folder;
    small_card(folder.path());
    REQUIRE(run({"gather", "card", "--out", "a.json", "--threads", "1"}, folder.path()).status ==
            0);
    REQUIRE(run({"gather", "card", "--out", "b.json", "--threads", "3", "--memory", "600M"},
                folder.path())
                .status == 0);
    CHECK(text_of(folder / "a.json") == text_of(folder / "b.json"));
    REQUIRE(run({"align", "a.json", "--threads", "1"}, folder.path()).status == 0);
    REQUIRE(run({"align", "b.json", "--threads", "3", "--memory", "600M"}, folder.path()).status ==
            0);
    CHECK(text_of(folder / "a.json") == text_of(folder / "b.json"));
    CHECK(text_of(folder / "a.json") != text_of(folder / "a.json.before"));
    // Elsewhere: the scene stays, files are found from there.
    fs::create_directory(folder / "below");
    const std::string before = text_of(folder / "b.json.before");
    write_file_atomic(folder / "c.json", before);
    REQUIRE(run({"align", "c.json", "--out", "below/d.json"}, folder.path()).status == 0);
    CHECK(text_of(folder / "c.json") == before);
    CHECK_FALSE(fs::exists(folder / "c.json.before"));
    const Scene moved = read_scene(folder / "below" / "d.json", SceneNeeds::orientations);
    for (const Frame& f : moved.frames) CHECK(fs::exists(moved.path_of(f)));
    // A level correction turns every frame.
    write_file_atomic(folder / "c.json", before);
    REQUIRE(run({"align", "c.json", "--level", "1.5"}, folder.path()).status == 0);
    const Scene level = read_scene(folder / "c.json", SceneNeeds::orientations);
    const Scene plain = read_scene(folder / "a.json", SceneNeeds::orientations);
    double roll = 0;
    for (size_t i = 0; i < level.frames.size(); ++i) {
        roll += (level.frames[i].roll_deg - plain.frames[i].roll_deg) /
                static_cast<double>(level.frames.size());
    }
    CHECK(std::abs(roll - 1.5) < 0.05);
    // Too little memory is told with what would do.
    const ProcessResult little = run({"align", "c.json", "--memory", "100M"}, folder.path());
    expect_failure(little, 2, {"--memory", "give at least"});
    std::smatch least;
    REQUIRE(std::regex_search(little.err, least, std::regex("give at least (\\d+M)")));
    CHECK(run({"align", "c.json", "--memory", least[1]}, folder.path()).status == 0);
}

TEST_CASE("a grid with a hole is not guessed over", "[pipeline][gather]") {
    const ScratchFolder folder;
    const Card card = small_card(folder.path());
    fs::remove(file_of(card, folder.path(), 1, 2));
    const ProcessResult r = run({"gather", "card", "--out", "scene.json"}, folder.path());
    expect_failure(r, 3, {"row 1 column 2", "--allow-gaps", "contact.html"});
    CHECK(fs::exists(folder / "contact.html"));
    CHECK_FALSE(fs::exists(folder / "scene.json"));
    const ProcessResult allowed =
        run({"gather", "card", "--out", "scene.json", "--allow-gaps"}, folder.path());
    INFO(allowed.err);
    REQUIRE(allowed.status == 0);
    CHECK(allowed.err.find("no frame for row 1 column 2") != std::string::npos);
    REQUIRE(run({"align", "scene.json"}, folder.path()).status == 0);
    CHECK(
        compare_with_truth(card.truth, read_scene(folder / "scene.json", SceneNeeds::orientations))
            .rms_px < 0.5);  // eleven small frames with a hole hold less firmly
    // weave stops there, too.
    expect_failure(run({"weave", "card", "--out", "out"}, folder.path()), 3, {"row 1 column 2"});
    CHECK_FALSE(fs::exists(folder / "out" / "full"));
}

TEST_CASE("findings are told; --strict ends with them", "[pipeline][gather]") {
    const ScratchFolder folder;
    const Card card = small_card(folder.path());
    // One frame with other camera data: its tags say 1/100 s, f/5.6, automatic white balance.
    const fs::path odd = file_of(card, folder.path(), 2, 1);
    std::string jpeg = text_of(odd);
    const size_t length = static_cast<size_t>(static_cast<unsigned char>(jpeg[4])) * 256 +
                          static_cast<unsigned char>(jpeg[5]);
    REQUIRE(jpeg.substr(2, 2) == "\xFF\xE1");
    ExifData e;
    e.make = "Harrow";
    e.model = "H-24";
    e.exposure_den = 30;
    e.white_balance = 0;
    const std::vector<uint8_t> segment = exif_segment(e);
    jpeg.replace(2, 2 + length, std::string(segment.begin(), segment.end()));
    write_file_atomic(odd, jpeg);
    const ProcessResult told =
        run({"gather", "card", "--out", "s.json", "--layout", "loose", "--focal-35mm", "170"},
            folder.path());
    INFO(told.err);
    CHECK(told.status == 0);
    CHECK(told.err.find(odd.filename().native() + ": exposure time 1/30 s") != std::string::npos);
    CHECK(told.err.find("white balance automatic") != std::string::npos);
    CHECK(text_of(folder / "contact.html").find("1/30 s") != std::string::npos);
    const ProcessResult strict = run({"gather", "card", "--out", "t.json", "--layout", "loose",
                                      "--focal-35mm", "170", "--strict"},
                                     folder.path());
    expect_failure(strict, 3, {"--strict", "findings"});
    CHECK(fs::exists(folder / "t.json"));
}

TEST_CASE("what cannot be read is named, all of it, and nothing is made", "[pipeline][gather]") {
    const ScratchFolder folder;
    small_card(folder.path());
    write_file_atomic(folder / "card" / "zz1.jpg", "\xFF\xD8\xFF\xE0 not a photograph");
    write_file_atomic(folder / "card" / "zz2.png",
                      std::string("\x89PNG\r\n\x1A\n", 8) + "cut short");
    write_file_atomic(folder / "card" / "notes.txt", "not a picture");
    const ProcessResult r = run({"gather", "card", "--out", "scene.json"}, folder.path());
    CHECK(r.err.find("zz2.png") != std::string::npos);
    expect_failure(r, 3, {"zz1.jpg"});
    CHECK_FALSE(fs::exists(folder / "scene.json"));
    expect_failure(run({"gather", "card", "--out", "scene.json", "--rows", "0"}, folder.path()), 2,
                   {"--rows"});
    expect_failure(run({"gather", "none", "--out", "scene.json"}, folder.path()), 3, {"none"});
    expect_failure(
        run({"gather", "card", "--out", "scene.json", "--order", "across"}, folder.path()), 2,
        {"--order", "across"});
    expect_failure(
        run({"gather", "card", "--out", "scene.json", "--prefer", "film"}, folder.path()), 2,
        {"--prefer", "film"});
    expect_failure(run({"align", "none.json"}, folder.path()), 3, {"none.json"});
}

TEST_CASE("hand-held sets of any order and roll align; two sets in one fall apart",
          "[pipeline][align]") {
    const ScratchFolder folder;
    CardOptions o;
    o.rows = 2;
    o.columns = 4;
    o.width = 480;
    o.height = 320;
    o.field_of_view_deg = 25;
    o.aim_error_deg = 2;
    o.roll_error_deg = 60;
    o.overlap = 0.6;
    o.shuffled_names = true;
    o.seed = 9;
    Card card = plan_card(o);
    shoot_card(card, TextureWorld(card_pixel_deg(o), o.seed), folder.path());
    REQUIRE(
        run({"gather", "card", "--out", "loose.json", "--layout", "loose"}, folder.path()).status ==
        0);
    const ProcessResult r = run({"align", "loose.json"}, folder.path());
    INFO(r.err);
    REQUIRE(r.status == 0);
    const Scene scene = read_scene(folder / "loose.json", SceneNeeds::orientations);
    CHECK(compare_with_truth(card.truth, scene).rms_px < 0.3);
    for (const Frame& f : scene.frames) CHECK_FALSE(f.row.has_value());

    // Frames of another place among them.
    const ScratchFolder elsewhere;
    const Card other = small_card(elsewhere.path(), 77);
    int64_t added = 0;
    for (const CardFrame& f : other.frames) {
        if (f.column > 1 || f.retaken) continue;
        fs::copy_file(elsewhere.path() / f.file,
                      folder / "card" / ("other" + std::to_string(++added) + ".jpg"));
    }
    REQUIRE(
        run({"gather", "card", "--out", "mixed.json", "--layout", "loose"}, folder.path()).status ==
        0);
    const ProcessResult mixed = run({"align", "mixed.json"}, folder.path());
    expect_failure(mixed, 3, {"2 groups", "align.html"});
    const auto report = nlohmann::json::parse(text_of(folder / "align.json"));
    REQUIRE(report["groups"].size() == 2);
    CHECK(report["groups"][0].size() == 8);
    CHECK(report["groups"][1].size() == static_cast<size_t>(added));
    // What was solved is kept.
    const Scene kept = read_scene(folder / "mixed.json", SceneNeeds::anything);
    size_t placed = 0;
    for (const Frame& f : kept.frames) placed += f.placed_by == "matches" ? 1U : 0U;
    CHECK(placed == kept.frames.size());
}

TEST_CASE("raw files are developed once, beside the scene, and preferred to their JPEGs",
          "[pipeline][gather][raw]") {
    const ScratchFolder folder;
    fs::create_directory(folder / "card");
    for (int i = 0; i < 2; ++i) {
        DngPicture p;
        p.width = 480;
        p.height = 320;
        // Two frames whose cameras guessed the white balance differently.
        p.neutral =
            i == 0 ? std::array<double, 3>{0.5, 1, 0.625} : std::array<double, 3>{0.7, 1, 0.5};
        p.light = [i](int x, int y) {
            const double u = std::sin((x + 200 * i) * 0.11) * std::cos(y * 0.13);
            return std::array<double, 3>{0.3 + 0.2 * u, 0.3 + 0.15 * u, 0.25 + 0.1 * u};
        };
        p.exif.make = "Harrow";
        p.exif.model = "H-24";
        p.exif.date_time = "2031:05:14 10:20:3" + std::to_string(i);
        const std::vector<uint8_t> dng = dng_file(p);
        // Told by its content, whatever its name.
        write_file_atomic(folder / "card" / ("r" + std::to_string(i) + (i == 0 ? ".dng" : ".raw")),
                          {reinterpret_cast<const char*>(dng.data()), dng.size()});
    }
    const auto originals = folder_content(folder / "card");
    const ProcessResult r =
        run({"gather", "card", "--out", "s.json", "--layout", "loose"}, folder.path());
    INFO(r.err);
    REQUIRE(r.status == 0);
    CHECK(r.err.find("2 raw files are developed") != std::string::npos);
    CHECK(folder_content(folder / "card") == originals);
    const Scene scene = read_scene(folder / "s.json", SceneNeeds::anything);
    REQUIRE(scene.frames.size() == 2);
    CHECK(scene.cameras.at("main").width == 480);  // the raw's, not its thumbnail's
    const auto developed = folder_content(folder / "s_developed");
    CHECK(developed.size() == 2);
    const auto time = fs::last_write_time(scene.path_of(scene.frames[0]));
    REQUIRE(run({"gather", "card", "--out", "s.json", "--layout", "loose"}, folder.path()).status ==
            0);
    CHECK(fs::last_write_time(scene.path_of(scene.frames[0])) == time);
    CHECK(folder_content(folder / "s_developed") == developed);
}

TEST_CASE("a blurred frame and a dark one stand out against their neighbours",
          "[pipeline][gather]") {
    if (!testing::has_command("vips")) {
        WARN("no vips program (package libvips-tools): skipped");
        return;
    }
    const ScratchFolder folder;
    const Card card = small_card(folder.path());
    REQUIRE(run({"gather", "card", "--out", "good.json"}, folder.path()).err.find("sharpness") ==
            std::string::npos);
    const fs::path blurred = file_of(card, folder.path(), 1, 2);
    const fs::path dark = file_of(card, folder.path(), 2, 3);
    const auto change = [&](const fs::path& file, const std::string& how) {
        const fs::path to = folder / "changed.jpg";
        const auto r =
            testing::run_command("vips " + how.substr(0, how.find(' ')) + " '" + file.native() +
                                 "' '" + to.native() + "[Q=92]' " + how.substr(how.find(' ') + 1));
        INFO(r.output);
        REQUIRE(r.status == 0);
        fs::rename(to, file);
    };
    change(blurred, "gaussblur 1.6");
    change(dark, "gamma --exponent 0.6");
    const ProcessResult r = run({"gather", "card", "--out", "scene.json"}, folder.path());
    INFO(r.err);
    REQUIRE(r.status == 0);
    CHECK(r.err.find(blurred.filename().native() + ": sharpness") != std::string::npos);
    CHECK(r.err.find(dark.filename().native() + ": brightness") != std::string::npos);
    // They alone.
    size_t findings = 0;
    for (size_t at = r.err.find("check    "); at != std::string::npos;
         at = r.err.find("check    ", at + 1)) {
        ++findings;
    }
    CHECK(findings == 2);
}
