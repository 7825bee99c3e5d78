// A finished result is checked: whole ones pass, and whatever is changed in one is found and named.
#include "broadloom/verify.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <random>

#include "broadloom/error.hpp"
#include "io/sha256.hpp"
#include "support/ripple_scene.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using test::all_files;
using test::flip_bit;
using test::write_bytes;
namespace fs = std::filesystem;

namespace {

class Result {
  public:
    explicit Result(RenderOptions o = {}, bool settles = false) {
        scene = test::ripple_scene(folder.path(), 320, 200);
        if (o.tile == 512) o.tile = 64;
        // Nothing here depends on how seams are found.
        o.seams = Seams::simple;
        o.shift_limit_px = 0;
        o.even_light = settles;
        o.out = out();
        options = o;
        render(scene, o);
    }
    [[nodiscard]] fs::path out() const { return folder.path() / "out"; }
    [[nodiscard]] fs::path tile(const std::string& name) const {
        return out() / "pano_files" / (name + ".jpg");
    }
    [[nodiscard]] VerifyReport check(bool quick = false) const {
        VerifyOptions o;
        o.folder = out();
        o.quick = quick;
        o.seed = 5;
        o.threads = 2;
        return verify(o);
    }
    /// Makes the lists agree with what the files hold now, as a forger would.
    void list_anew() const {
        std::string list;
        std::ifstream in(out() / "checksums.txt");
        for (std::string line; std::getline(in, line);) {
            const std::string name = line.substr(66);
            const auto bytes = testing::file_bytes(out() / name);
            list += sum_text(sha256(bytes)) + "  " + name + "\n";
        }
        in.close();
        write_bytes(out() / "checksums.txt", list);
        auto report = nlohmann::ordered_json::parse(std::ifstream(out() / "report.json"));
        report["checksums"] = sum_text(sha256(std::string_view(list)));
        report.erase("seal");
        report["seal"] = sum_text(sha256(std::string_view(report.dump(2))));
        write_bytes(out() / "report.json", report.dump(2) + "\n");
    }
    /// As older versions left results.
    void take_lists_away() const {
        auto report = nlohmann::ordered_json::parse(std::ifstream(out() / "report.json"));
        report.erase("seal");
        report.erase("checksums");
        write_bytes(out() / "report.json", report.dump(2) + "\n");
        fs::remove(out() / "checksums.txt");
        fs::remove(out() / "tiff_tiles.txt");
    }

    testing::ScratchFolder folder;
    Scene scene;
    RenderOptions options;
};

std::vector<std::string> names_of(const VerifyReport& r) {
    std::vector<std::string> names;
    for (const Damage& d : r.damages) names.push_back(d.name);
    return names;
}

bool names(const VerifyReport& r, const std::string& start) {
    return std::any_of(r.damages.begin(), r.damages.end(),
                       [&](const Damage& d) { return d.name.rfind(start, 0) == 0; });
}

}  // namespace

TEST_CASE("whole results pass, whatever they are made of", "[verify]") {
    std::vector<RenderOptions> kinds(7);
    kinds[1].tiff_bits = 16;
    kinds[1].uncovered = Uncovered::alpha;
    kinds[2].colour = OutputColour::adobe_rgb;
    kinds[3].colour = OutputColour::display_p3;
    kinds[3].tiff_bits = 16;
    kinds[4].overlap = 2;
    kinds[4].tile = 100;
    kinds[5].quality = 50;
    kinds[5].chroma = Chroma::c444;
    kinds[6].tile = 1024;
    for (size_t i = 0; i < kinds.size(); ++i) {
        INFO("kind " << i);
        const Result result(kinds[i]);
        for (const bool quick : {false, true}) {
            const VerifyReport r = result.check(quick);
            CHECK(names_of(r).empty());
            CHECK(r.damaged == 0);
            CHECK(r.checksums);
            CHECK(r.notes.empty());
        }
        const VerifyReport full = result.check();
        CHECK(full.tiles_checked == full.tiles);
        result.take_lists_away();
        const VerifyReport older = result.check();
        CHECK(names_of(older).empty());
        CHECK_FALSE(older.checksums);
        CHECK(older.notes.size() == 1);
    }
}

TEST_CASE("the list is one that sha256sum checks", "[verify]") {
    if (!testing::has_command("sha256sum")) return;
    const Result result;
    const std::string command =
        "cd " + result.out().native() + " && sha256sum --check --strict --quiet checksums.txt";
    const auto whole = testing::run_command(command);
    CHECK(whole.status == 0);
    CHECK(whole.output.empty());
    // Everything but itself and the report, which is sealed by its own means.
    const auto lines = testing::run_command("wc -l < " + (result.out() / "checksums.txt").native());
    CHECK(std::stoul(lines.output) == all_files(result.out()).size() - 2);
    flip_bit(result.out() / "pano.tif", 3000, 2);
    CHECK(testing::run_command(command).status != 0);
}

TEST_CASE("one bit turned over anywhere in a result is found", "[verify]") {
    const Result result;
    const auto files = all_files(result.out());
    uint64_t bytes = 0;
    for (const auto& [name, content] : files) bytes += content.size();
    std::mt19937_64 random(2031);
    constexpr int kFlips = 100;
    int found = 0;
    int named = 0;
    std::map<std::string, int> where;
    for (int i = 0; i < kFlips; ++i) {
        uint64_t at = random() % bytes;
        const int bit = static_cast<int>(random() % 8);
        auto file = files.begin();
        while (at >= file->second.size()) {
            at -= file->second.size();
            ++file;
        }
        const fs::path path = result.out() / file->first;
        flip_bit(path, at, bit);
        INFO(file->first << " byte " << at << " bit " << bit);
        const VerifyReport r = result.check();
        CHECK(r.damaged > 0);
        CHECK(names(r, file->first));
        found += r.damaged > 0 ? 1 : 0;
        named += names(r, file->first) ? 1 : 0;
        ++where[file->first.rfind("pano_files", 0) == 0 ? "tiles" : file->first];
        flip_bit(path, at, bit);
    }
    CHECK(found == kFlips);
    CHECK(named == kFlips);
    CHECK(where.size() >= 3);
    // Turned back over, nothing is left to be found.
    CHECK(all_files(result.out()) == files);
    CHECK(result.check().damaged == 0);
}

TEST_CASE("in every file of a result a bit turned over is found", "[verify]") {
    RenderOptions o;
    o.show_seams = true;
    const Result result(o, true);
    std::mt19937_64 random(7);
    for (const auto& [name, content] : all_files(result.out())) {
        if (name.rfind("pano_files", 0) == 0) continue;
        for (int i = 0; i < 3; ++i) {
            const uint64_t at = random() % content.size();
            const int bit = static_cast<int>(random() % 8);
            flip_bit(result.out() / name, at, bit);
            INFO(name << " byte " << at << " bit " << bit);
            CHECK(names(result.check(), name));
            // All but the large ones are summed in a quick check too.
            if (name != "pano.tif") CHECK(names(result.check(true), name));
            flip_bit(result.out() / name, at, bit);
        }
    }
    CHECK(result.check().damaged == 0);
}

TEST_CASE("tiles that are missing, foreign, cut or of another kind are named", "[verify]") {
    const Result result;
    const auto check = [&](const std::string& name, const std::string& what, bool quick_too) {
        for (const bool quick : {false, true}) {
            if (quick && !quick_too) continue;
            const VerifyReport r = result.check(quick);
            INFO(name << (quick ? " quick" : ""));
            REQUIRE(names_of(r) == std::vector<std::string>{name});
            CHECK(r.damages[0].what.find(what) != std::string::npos);
        }
    };
    const fs::path tile = result.tile("9/3_2");
    const auto bytes = testing::file_bytes(tile);
    const std::string whole(bytes.begin(), bytes.end());
    fs::remove(tile);
    check("pano_files/9/3_2.jpg", "missing", true);
    fs::create_directory(tile);
    check("pano_files/9/3_2.jpg", "not a file", true);
    fs::remove(tile);
    REQUIRE(::mkfifo(tile.c_str(), 0600) == 0);
    check("pano_files/9/3_2.jpg", "not a file", true);
    fs::remove(tile);
    fs::create_symlink(result.tile("9/3_3"), tile);
    check("pano_files/9/3_2.jpg", "link", true);
    fs::remove(tile);
    write_bytes(tile, "");
    check("pano_files/9/3_2.jpg", "empty", true);
    write_bytes(tile, whole.substr(0, whole.size() / 2));
    check("pano_files/9/3_2.jpg", "", true);
    write_bytes(tile, std::string(2'000'000, 'x'));
    check("pano_files/9/3_2.jpg", "too large", true);
    write_bytes(tile, whole);
    write_bytes(result.tile("9/99_2"), whole);
    check("pano_files/9/99_2.jpg", "no tile", true);
    fs::remove(result.tile("9/99_2"));
    fs::create_directory(result.out() / "pano_files" / "40");
    check("pano_files/40", "no level", true);
    fs::remove(result.out() / "pano_files" / "40");
    // What stands beside the result is not its business.
    write_bytes(result.out() / "notes\n.txt", "mine");
    const VerifyReport beside = result.check();
    CHECK(beside.damaged == 0);
    REQUIRE(beside.notes.size() == 1);
    CHECK(beside.notes[0].find('\n') == std::string::npos);
}

TEST_CASE("exchanged tiles are found though the lists were changed to match", "[verify]") {
    const Result result;
    fs::rename(result.tile("9/1_1"), result.out() / "x");
    fs::rename(result.tile("9/4_2"), result.tile("9/1_1"));
    fs::rename(result.out() / "x", result.tile("9/4_2"));
    const VerifyReport by_sum = result.check();
    CHECK(by_sum.damaged_tiles == 2);
    result.list_anew();
    const VerifyReport r = result.check();
    const auto found = names_of(r);
    for (const char* name : {"pano_files/9/1_1.jpg", "pano_files/9/4_2.jpg", "pano.tif, tile 9/1_1",
                             "pano.tif, tile 9/4_2"}) {
        CHECK(std::count(found.begin(), found.end(), name) == 1);
    }
    CHECK(found.size() == 4);
    // Without any list the TIFF's own tiles tell.
    result.take_lists_away();
    CHECK(names_of(result.check()) == found);
}

TEST_CASE("a stale tile of a higher level is found by those below it", "[verify]") {
    const Result result;
    fs::copy_file(result.tile("8/0_0"), result.tile("8/1_0"), fs::copy_options::overwrite_existing);
    result.list_anew();
    const VerifyReport r = result.check();
    int below = 0;
    for (const Damage& d : r.damages) {
        if (d.what.find("pano_files/8/1_0.jpg") == std::string::npos) continue;
        if (d.kind == Damage::Kind::tile) ++below;
    }
    CHECK(below == 4);
}

TEST_CASE("a TIFF that is cut, gone or another picture's is damage, not a crash", "[verify]") {
    const Result result;
    const auto bytes = testing::file_bytes(result.out() / "pano.tif");
    const std::string whole(bytes.begin(), bytes.end());
    for (const size_t length : {size_t{0}, size_t{7}, size_t{16}, size_t{1000}, whole.size() / 2,
                                whole.size() - 100, whole.size() - 1}) {
        INFO(length);
        write_bytes(result.out() / "pano.tif", whole.substr(0, length));
        CHECK(names(result.check(), "pano.tif"));
    }
    fs::remove(result.out() / "pano.tif");
    CHECK(names(result.check(), "pano.tif"));
    result.take_lists_away();
    CHECK(names(result.check(), "pano.tif"));
    for (const size_t length : {size_t{1000}, whole.size() / 2, whole.size() - 100}) {
        write_bytes(result.out() / "pano.tif", whole.substr(0, length));
        CHECK(names(result.check(), "pano.tif"));
    }
    // The directories, byte by byte: whatever they say, it is refused or read, never believed.
    std::mt19937_64 random(11);
    for (int i = 0; i < 100; ++i) {
        std::string other = whole;
        const size_t at = i % 5 == 0 ? random() % 16 : whole.size() - 1 - random() % 4000;
        other[at] = static_cast<char>(random());
        write_bytes(result.out() / "pano.tif", other);
        CHECK_NOTHROW(result.check(true));
    }
}

TEST_CASE("descriptors and reports that claim what is not there are seen through", "[verify]") {
    const Result result;
    const auto bytes = testing::file_bytes(result.out() / "pano.dzi");
    const std::string whole(bytes.begin(), bytes.end());
    const auto with = [&](const std::string& from, const std::string& to) {
        std::string text = whole;
        text.replace(text.find(from), from.size(), to);
        return text;
    };
    write_bytes(result.out() / "pano.dzi", with("Width=\"320\"", "Width=\"321\""));
    CHECK(names_of(result.check()) == std::vector<std::string>{"pano.dzi"});
    result.take_lists_away();
    auto report = nlohmann::ordered_json::parse(std::ifstream(result.out() / "report.json"));
    // Sizes of an unsealed report say nothing; the descriptor's must be possible.
    for (const char* width : {"0", "-5", "99999999999999999999", "2000000000", "16000000", "x"}) {
        INFO(width);
        write_bytes(result.out() / "pano.dzi",
                    with("Width=\"320\"", std::string("Width=\"") + width + "\""));
        if (std::string(width) == "16000000") {
            const VerifyReport r = result.check(true);
            CHECK(r.damaged > 1'000'000);
            CHECK(r.damages.size() <= 10'000);
            continue;
        }
        try {
            static_cast<void>(result.check());
            FAIL("nothing thrown");
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::damage);
        }
    }
    fs::remove(result.out() / "pano.dzi");
    write_bytes(result.out() / "report.json", "[[[[");
    CHECK_THROWS_AS(result.check(), Error);
}

TEST_CASE("folders without a finished result are told apart", "[verify]") {
    const testing::ScratchFolder folder;
    const auto message = [&](const fs::path& path) {
        VerifyOptions o;
        o.folder = path;
        try {
            verify(o);
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::input);
            return std::string(e.what());
        }
        return std::string();
    };
    CHECK(message(folder / "none").find("no such folder") != std::string::npos);
    CHECK(message(folder.path()).find("no finished result") != std::string::npos);
    write_bytes(folder / "job.part", "x");
    CHECK(message(folder.path()).find("--resume") != std::string::npos);
    CHECK(message(folder / "job.part").find("no folder") != std::string::npos);
}
