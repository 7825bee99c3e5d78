// What is damaged in a finished result is built again, to the byte, and the rest is left alone.
#include <catch2/catch.hpp>
#include <csignal>

#include "broadloom/error.hpp"
#include "broadloom/verify.hpp"
#include "support/ripple_scene.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using test::all_files;
using test::flip_bit;
using test::write_bytes;
namespace fs = std::filesystem;

namespace {

struct Fixture {
    explicit Fixture(RenderOptions o = {}, bool settles = false) {
        scene = test::ripple_scene(folder.path(), 640, 400);
        if (o.tile == 512) o.tile = 64;
        o.seams = Seams::simple;  // quickly found
        o.shift_limit_px = 0;
        o.even_light = settles;
        o.out = folder.path() / "out";
        options = o;
        render(scene, options);
        whole = all_files(o.out);
        options.resume = true;
    }
    [[nodiscard]] fs::path file(const std::string& name) const { return options.out / name; }
    [[nodiscard]] bool is_whole() const {
        VerifyOptions o;
        o.folder = options.out;
        return verify(o).damaged == 0 && all_files(options.out) == whole;
    }
    RenderReport repair() {
        RenderHooks hooks;
        hooks.note = [&](const std::string& note) { notes += note + "\n"; };
        return render(scene, options, hooks);
    }

    testing::ScratchFolder folder;
    Scene scene;
    RenderOptions options;
    std::map<std::string, std::string> whole;
    std::string notes;
};

/// When a file last changed.
auto time_of(const fs::path& path) { return fs::last_write_time(path); }

}  // namespace

TEST_CASE("a whole result is left alone", "[repair]") {
    Fixture f;
    const auto before = time_of(f.file("pano.tif"));
    const RenderReport r = f.repair();
    CHECK(r.already_finished);
    CHECK(r.repaired_tiles == 0);
    CHECK(r.repaired_files == 0);
    CHECK(time_of(f.file("pano.tif")) == before);
    CHECK(f.is_whole());
}

TEST_CASE("damage of every kind is repaired to the byte", "[repair]") {
    Fixture f({}, true);
    const std::string tile = "pano_files/10/5_3.jpg";
    const auto untouched = time_of(f.file("pano_files/10/0_0.jpg"));
    const std::vector<std::pair<std::string, std::function<void()>>> damages{
        {"a bit of a tile", [&] { flip_bit(f.file(tile), 700, 1); }},
        {"a missing tile", [&] { fs::remove(f.file(tile)); }},
        {"a folder in a tile's place",
         [&] {
             fs::remove(f.file(tile));
             fs::create_directories(f.file(tile) / "inner");
         }},
        {"a tile of a higher level", [&] { flip_bit(f.file("pano_files/7/0_0.jpg"), 650, 1); }},
        {"a bit of a TIFF tile", [&] { flip_bit(f.file("pano.tif"), 20000, 1); }},
        {"the TIFF's first byte", [&] { flip_bit(f.file("pano.tif"), 0, 1); }},
        {"the TIFF's pointer to its directories", [&] { flip_bit(f.file("pano.tif"), 10, 1); }},
        {"the TIFF's directories",
         [&] { flip_bit(f.file("pano.tif"), f.whole.at("pano.tif").size() - 500, 1); }},
        {"a cut TIFF", [&] { fs::resize_file(f.file("pano.tif"), 30000); }},
        {"a lengthened TIFF",
         [&] { fs::resize_file(f.file("pano.tif"), f.whole.at("pano.tif").size() + 9); }},
        {"no TIFF", [&] { fs::remove(f.file("pano.tif")); }},
        {"a bit of the list", [&] { flip_bit(f.file("checksums.txt"), 1300, 1); }},
        {"no list", [&] { fs::remove(f.file("checksums.txt")); }},
        {"a bit of the TIFF's list", [&] { flip_bit(f.file("tiff_tiles.txt"), 300, 0); }},
        {"no list of the TIFF", [&] { fs::remove(f.file("tiff_tiles.txt")); }},
        {"the descriptor", [&] { flip_bit(f.file("pano.dzi"), 100, 1); }},
        {"no page", [&] { fs::remove(f.file("index.html")); }},
        {"the settled solution", [&] { flip_bit(f.file("pano.settled"), 100, 1); }},
        {"left-overs of a repair", [&] { write_bytes(f.file("settled.part"), "x"); }},
    };
    for (const auto& [name, damage] : damages) {
        INFO(name);
        damage();
        CHECK_FALSE(f.whole == all_files(f.options.out));
        const RenderReport r = f.repair();
        CHECK(r.already_finished);
        CHECK(f.is_whole());
    }
    // A tile that was never damaged was never written.
    CHECK(time_of(f.file("pano_files/10/0_0.jpg")) == untouched);
}

TEST_CASE("a lost report is written anew; all else stays", "[repair]") {
    Fixture f;
    for (const bool gone : {false, true}) {
        if (gone) {
            fs::remove(f.file("report.json"));
        } else {
            flip_bit(f.file("report.json"), 60, 1);
        }
        CHECK(f.repair().repaired_files == 1);
        VerifyOptions o;
        o.folder = f.options.out;
        CHECK(verify(o).damaged == 0);
        auto now = all_files(f.options.out);
        CHECK(now.at("report.json") != f.whole.at("report.json"));
        now["report.json"] = f.whole.at("report.json");
        CHECK(now == f.whole);
    }
}

TEST_CASE("deep, bare and overlapping results are repaired too", "[repair]") {
    std::vector<RenderOptions> kinds(4);
    kinds[0].tiff_bits = 16;
    kinds[0].uncovered = Uncovered::alpha;
    kinds[1].colour = OutputColour::adobe_rgb;
    kinds[2].overlap = 1;
    kinds[2].show_seams = true;
    kinds[3].tile = 100;
    for (size_t i = 0; i < kinds.size(); ++i) {
        INFO("kind " << i);
        Fixture f(kinds[i]);
        flip_bit(f.file("pano_files/10/2_3.jpg"), 700, 1);
        flip_bit(f.file("pano.tif"), 40000, 1);
        if (i == 2) fs::remove(f.file("seams.js"));
        f.repair();
        CHECK(f.is_whole());
    }
}

TEST_CASE("a link in the result is replaced, what it leads to is not touched", "[repair]") {
    Fixture f;
    const fs::path outside = f.folder.path() / "mine";
    fs::create_directory(outside);
    write_bytes(outside / "5_3.jpg", "mine");
    fs::remove(f.file("pano_files/10/5_3.jpg"));
    fs::create_symlink(outside / "5_3.jpg", f.file("pano_files/10/5_3.jpg"));
    fs::remove_all(f.file("pano_files/9"));
    fs::create_directory_symlink(outside, f.file("pano_files/9"));
    fs::remove(f.file("index.html"));
    fs::create_symlink(outside / "5_3.jpg", f.file("index.html"));
    f.repair();
    CHECK(f.is_whole());
    CHECK(all_files(outside) == std::map<std::string, std::string>{{"5_3.jpg", "mine"}});
}

TEST_CASE("a repair that is stopped goes on the next time", "[repair]") {
    Fixture f;
    f.options.threads = 1;
    fs::remove_all(f.file("pano_files"));
    std::atomic<int> stop{0};
    RenderHooks hooks;
    hooks.stop = &stop;
    hooks.progress = [&](const WorkProgress& p) {
        if (p.stage == "rendering" && p.fraction < 1) stop = SIGINT;
    };
    try {
        render(f.scene, f.options, hooks);
        FAIL("it was not stopped");
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::interrupted);
        CHECK(std::string(e.what()).find("--resume") != std::string::npos);
    }
    CHECK_FALSE(f.is_whole());
    f.repair();
    CHECK(f.is_whole());
}

TEST_CASE("where list and TIFF are both lost the repair says so and changes nothing", "[repair]") {
    Fixture f;
    flip_bit(f.file("pano.tif"), 20000, 1);
    fs::remove(f.file("tiff_tiles.txt"));
    const auto before = all_files(f.options.out);
    try {
        f.repair();
        FAIL("it was not refused");
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::damage);
    }
    CHECK(all_files(f.options.out) == before);
}
