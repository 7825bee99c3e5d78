// Commands, options, output folders and file names from the command line.
#include <sys/mount.h>
#include <unistd.h>

#include <catch2/catch.hpp>

#include "support/expect_failure.hpp"
#include "support/frame_files.hpp"
#include "support/sanitized.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;
namespace fs = std::filesystem;

namespace {

/// The figure before "M" that a message gives as workable.
std::string named_memory(const std::string& line) {
    const std::string key = "at least --memory ";
    const size_t at = line.find(key);
    REQUIRE(at != std::string::npos);
    const size_t start = at + key.size();
    return line.substr(start, line.find_first_not_of("0123456789M", start) - start);
}

}  // namespace

TEST_CASE("wrong usage ends with status 2 and names what is wrong", "[pipeline][usage]") {
    const auto run = [](const std::vector<std::string>& words) {
        std::vector<std::string> command{program()};
        command.insert(command.end(), words.begin(), words.end());
        return run_process(command);
    };
    expect_failure(run({}), 2, {"no command", "broadloom --help"});
    expect_failure(run({"rendr"}), 2, {"rendr", "did you mean", "render"});
    expect_failure(run({"dance"}), 2, {"dance", "--help"});
    expect_failure(run({"--colour"}), 2, {"--colour", "--help"});
    expect_failure(run({"render"}), 2, {"SCENE", "--help"});
    expect_failure(run({"render", "scene.json"}), 2, {"--out", "--help"});
    expect_failure(run({"render", "scene.json", "--out"}), 2, {"--out", "--help"});
    expect_failure(run({"render", "scene.json", "--out", "x", "--qualty", "80"}), 2,
                   {"--qualty", "did you mean", "--quality"});
    expect_failure(run({"render", "scene.json", "--out", "x", "--quality", "high"}), 2,
                   {"--quality", "high"});
    expect_failure(run({"render", "scene.json", "other.json", "--out", "x"}), 2, {"other.json"});
}

TEST_CASE("every option refuses values outside its range", "[pipeline][usage]") {
    const SmallScene scene;
    const std::vector<std::pair<std::string, std::vector<std::string>>> bad{
        {"--pass", {"fast", "", "Full"}},
        {"--scale", {"0", "-1", "17", "nan", "inf", "1e999", "big", "1.5x"}},
        {"--memory", {"0", "-1", "lots", "1X", "", "1e9"}},
        {"--threads", {"0", "-1", "1025", "two", "1.5"}},
        {"--tile", {"0", "15", "33", "4098", "-512", "x", "99999999999999999999"}},
        {"--overlap", {"-1", "129", "x"}},
        {"--quality", {"0", "101", "-5", "x", "90.5"}},
        {"--chroma", {"422", "4:2:0", ""}},
        {"--bands", {"0", "9", "-1", "x"}},
        {"--background", {"red", "12345", "1234567", "gggggg", ""}},
        {"--instruction-set", {"fastest", ""}},
    };
    for (const auto& [option, values] : bad) {
        for (const std::string& value : values) {
            INFO(option << " \"" << value << "\"");
            expect_failure(scene.render({option + "=" + value}), 2, {option});
            if (!value.empty()) expect_failure(scene.render({option, value}), 2, {option});
            CHECK_FALSE(fs::exists(scene.out()));
        }
    }
}

TEST_CASE("every option takes values at both ends of its range", "[pipeline][usage]") {
    const SmallScene scene(2, 1);
    const std::vector<std::pair<std::string, std::vector<std::string>>> good{
        {"--pass", {"full", "draft"}},
        {"--scale", {"0.02", "2"}},
        {"--memory", {"512M", "1g", "0.5GiB", "536870912", "524288K"}},
        {"--threads", {"1", "1024"}},
        {"--tile", {"16", "18", "4096"}},
        {"--overlap", {"0", "1", "128"}},
        {"--quality", {"1", "100"}},
        {"--chroma", {"420", "444"}},
        {"--bands", {"1", "8"}},
        {"--background", {"000000", "#FFffFF"}},
        {"--instruction-set", {"auto", "plain"}},
    };
    int number = 0;
    for (const auto& [option, values] : good) {
        for (const std::string& value : values) {
            const std::string out = "out" + std::to_string(number++);
            const ProcessResult r = scene.render({option, value}, out);
            INFO(option << " " << value << ": " << r.err);
            CHECK(r.status == 0);
            CHECK(r.out.empty());
            CHECK(result_names_in(scene.out(out)) == kResultNames);
        }
    }
}

TEST_CASE("help and version go to standard output", "[pipeline][usage]") {
    const ProcessResult help = run_process({program(), "--help"});
    CHECK(help.status == 0);
    CHECK(help.out.find("render") != std::string::npos);
    CHECK(help.err.empty());
    const ProcessResult more = run_process({program(), "render", "--help"});
    CHECK(more.status == 0);
    for (const char* option :
         {"--out", "--pass", "--scale", "--memory", "--threads", "--tile", "--quality", "--chroma",
          "--resume", "--background", "--bands", "--overlap"}) {
        INFO(option);
        CHECK(more.out.find(option) != std::string::npos);
    }
    const ProcessResult version = run_process({program(), "--version"});
    CHECK(version.status == 0);
    CHECK(version.out.rfind("broadloom ", 0) == 0);
}

TEST_CASE("the plan is told before the work and the paths after it", "[pipeline][usage]") {
    const SmallScene scene;
    const ProcessResult r = scene.render();
    REQUIRE(r.status == 0);
    for (const char* words : {"canvas ", " px (", "gigapixels", "tiles ", "disk ", " free",
                              "memory ", "done ", "index.html", "pano.tif"}) {
        INFO(words << " in: " << r.err);
        CHECK(r.err.find(words) != std::string::npos);
    }
    // Not on a terminal: no bar, no control characters.
    CHECK(r.err.find('\r') == std::string::npos);
    CHECK(r.err.find('\033') == std::string::npos);
}

TEST_CASE("too little memory names a figure that works and is kept", "[pipeline][memory]") {
    const SmallScene scene;
    for (const std::string pass : {"full", "draft"}) {
        const ProcessResult refused = scene.render({"--memory", "1M", "--pass", pass});
        expect_failure(refused, 2, {"--memory", "1.0 MiB"});
        CHECK_FALSE(fs::exists(scene.out()));
        const std::string least = named_memory(last_line(refused.err));
        // Repeated, since what a process occupies at its start differs a little from run to run.
        for (int i = 0; i < 8; ++i) {
            const std::string out = "least" + pass + std::to_string(i);
            const ProcessResult r = scene.render({"--memory", least, "--pass", pass}, out);
            INFO(least << ": " << r.err);
            CHECK(r.status == 0);
            // A sanitizer's own memory is no part of the promise.
            if (!kSanitized) CHECK(r.peak_bytes <= (int64_t{std::stoi(least)} << 20));
        }
    }
}

TEST_CASE("a file in place of the output folder is refused and kept", "[pipeline][output]") {
    const SmallScene scene;
    write_bytes(scene.out(), {'k', 'e', 'e', 'p'});
    expect_failure(scene.render(), 2, {"--out", "out", "file"});
    CHECK(read_bytes(scene.out()) == Bytes{'k', 'e', 'e', 'p'});
    // Below a file there can be no folder either.
    const ProcessResult below = scene.render({}, "out/deeper");
    expect_failure(below, 4, {"--out", "out/deeper"});
    CHECK(read_bytes(scene.out()) == Bytes{'k', 'e', 'e', 'p'});
}

TEST_CASE("an output folder that cannot be made is the machine's refusal", "[pipeline][output]") {
    const SmallScene scene;
    // Nobody can make folders there, not even root.
    const ProcessResult r = run_process(
        {program(), "render", scene.write().native(), "--out", "/proc/broadloom_test/out"});
    expect_failure(r, 4, {"--out", "/proc/broadloom_test/out"});
}

TEST_CASE("an output folder without permission is the machine's refusal", "[pipeline][output]") {
    const SmallScene scene;
    ProcessOptions options;
    options.as_nobody = ::geteuid() == 0;
    fs::permissions(scene.folder(), fs::perms::owner_all | fs::perms::group_exec |
                                        fs::perms::group_read | fs::perms::others_exec |
                                        fs::perms::others_read);
    const fs::path locked = scene.folder() / "locked";
    fs::create_directory(locked);
    fs::permissions(locked, fs::perms::owner_exec | fs::perms::owner_read | fs::perms::others_exec |
                                fs::perms::others_read);
    try {
        run_process({program(), "--version"}, options);
    } catch (const std::exception&) {
        WARN("skipped: the program's folder is closed to the unprivileged user");
        return;
    }
    expect_failure(scene.render({}, "locked/out", options), 4,
                   {"--out", "locked/out", "ermission"});
    expect_failure(scene.render({}, "locked", options), 4, {"locked", "ermission"});
    CHECK(fs::is_empty(locked));
    fs::permissions(locked, fs::perms::owner_all);
}

TEST_CASE("a read-only output folder is the machine's refusal", "[pipeline][output]") {
    const SmallScene scene;
    const fs::path place = scene.folder() / "readonly";
    fs::create_directory(place);
    if (::mount("none", place.c_str(), "tmpfs", MS_RDONLY, "size=64m") != 0) {
        WARN("skipped: no right to mount a file system");
        return;
    }
    expect_failure(scene.render({}, "readonly/out"), 4,
                   {"--out", "readonly/out", "can be written"});
    expect_failure(scene.render({}, "readonly"), 4, {"readonly", "can be written"});
    ::umount(place.c_str());
}

TEST_CASE("foreign files in the output folder are refused, untouched", "[pipeline][output]") {
    const SmallScene scene;
    const std::vector<std::pair<std::string, std::string>> sets[] = {
        {{"letters/a.txt", "dear"}},
        {{"pano.tif", "somebody's own"}},
        {{"report.json", "{\"pass\": 3}"}},
        {{"pano.tif.part", "somebody's own"}},
        {{"index.html", "<p>"}, {"style.css", "p"}},
        {{"pano_files/0/0_0.jpg", "x"}, {"pano.dzi", "y"}},
    };
    int number = 0;
    for (const auto& files : sets) {
        const std::string out = "out" + std::to_string(number++);
        for (const auto& [name, text] : files) {
            const fs::path path = scene.out(out) / name;
            fs::create_directories(path.parent_path());
            write_bytes(path, Bytes(text.begin(), text.end()));
        }
        const auto before = folder_content(scene.out(out));
        for (const std::vector<std::string>& more : {std::vector<std::string>{}, {"--resume"}}) {
            INFO("beside " << files[0].first << " with " << more.size() << " options more");
            expect_failure(scene.render(more, out), 2, {"--out", out});
            CHECK(folder_content(scene.out(out)) == before);
        }
    }
}

TEST_CASE("an empty output folder serves, one with the same result ends at once",
          "[pipeline][output]") {
    const SmallScene scene;
    fs::create_directory(scene.out());
    REQUIRE(scene.render().status == 0);
    const auto first = folder_content(scene.out());
    const auto written = fs::last_write_time(scene.out() / "pano.tif");
    for (const std::vector<std::string>& more : {std::vector<std::string>{},
                                                 {"--resume"},
                                                 {"--threads", "1"},
                                                 {"--memory", "256M"},
                                                 {"--instruction-set", "plain"}}) {
        const ProcessResult again = scene.render(more);
        INFO(again.err);
        CHECK(again.status == 0);
        CHECK(again.out.empty());
        CHECK(again.err.find("already holds this very result") != std::string::npos);
        CHECK(folder_content(scene.out()) == first);
        CHECK(fs::last_write_time(scene.out() / "pano.tif") == written);
    }
}

TEST_CASE("the result of another scene or other options is refused, untouched",
          "[pipeline][output]") {
    SmallScene scene;
    REQUIRE(scene.render().status == 0);
    const auto first = folder_content(scene.out());
    for (const std::vector<std::string>& more : {std::vector<std::string>{"--quality", "80"},
                                                 {"--pass", "draft"},
                                                 {"--tile", "256"},
                                                 {"--overlap", "1"},
                                                 {"--chroma", "444"},
                                                 {"--bands", "3"},
                                                 {"--background", "ffffff"},
                                                 {"--scale", "0.9"},
                                                 {"--quality", "80", "--resume"}}) {
        INFO(more[0] << " " << more[1]);
        expect_failure(scene.render(more), 2, {"--out", "out", "another"});
        CHECK(folder_content(scene.out()) == first);
    }
    scene.json["frames"][0]["yaw_deg"] = scene.json["frames"][0]["yaw_deg"].get<double>() + 1e-6;
    expect_failure(scene.render(), 2, {"--out", "another"});
    CHECK(folder_content(scene.out()) == first);
}

TEST_CASE("--resume with nothing there starts afresh", "[pipeline][output]") {
    const SmallScene scene;
    CHECK(scene.render({"--resume"}).status == 0);
    CHECK(result_names_in(scene.out()) == kResultNames);
}

TEST_CASE("odd names of folders and frames work and are printed escaped", "[pipeline][names]") {
    SmallScene scene;
    const std::vector<std::string> odd{
        "two words", "line\nbreak",          "tab\tquote'\"", "\xff\xfe not utf-8",
        "-dash",     "\xc3\xa4\xe2\x82\xac", "100%",          "$(x)`y`"};
    for (size_t i = 0; i < odd.size(); ++i) {
        const fs::path folder = scene.folder() / odd[i];
        fs::create_directories(folder);
        SmallScene inner(2, 1);
        fs::copy(inner.folder() / "frames", folder / "frames", fs::copy_options::recursive);
        const bool in_json = odd[i][0] != '\xff';  // a scene is UTF-8
        if (in_json) {
            const std::string name = "frames/" + odd[i] + ".jpg";
            fs::rename(folder / "frames/0.jpg", folder / name);
            inner.json["frames"][0]["file"] = name;
        }
        const std::string text = inner.json.dump();
        const fs::path file = folder / (odd[i] + ".json");
        write_bytes(file, Bytes(text.begin(), text.end()));
        const fs::path out = folder / (odd[i] + " out");
        INFO(odd[i]);
        const ProcessResult r =
            run_process({program(), "render", file.native(), "--out", out.native()});
        INFO(r.err);
        CHECK(r.status == 0);
        CHECK(result_names_in(out) == kResultNames);
        // And relative, from within the folder; a leading dash needs its path there.
        ProcessOptions within;
        within.folder = folder;
        const ProcessResult relative = run_process(
            {program(), "render", "./" + odd[i] + ".json", "--out=" + odd[i] + " out"}, within);
        INFO(relative.err);
        CHECK(relative.status == 0);
        CHECK(relative.err.find("already holds") != std::string::npos);
        // Bad ones are named on one printable line.
        fs::remove(folder / "frames/1.jpg");
        const ProcessResult bad =
            run_process({program(), "render", file.native(), "--out", (folder / "bad").native()});
        expect_failure(bad, 3, {"frames/1.jpg"});
        expect_failure(run_process({program(), "render", (folder / ("no " + odd[i])).native(),
                                    "--out", (folder / "bad").native()}),
                       3, {"no "});
    }
}

TEST_CASE("markup in titles is inert on the page", "[pipeline][page]") {
    SmallScene scene(2, 1);
    const std::string evil =
        "</script><script>alert(1)</script><img src=x onerror=alert(2)>\"'&<!--";
    for (const char* key : {"title", "credit", "rights"}) scene.json[key] = evil;
    REQUIRE(scene.render().status == 0);
    const Bytes bytes = read_bytes(scene.out() / "index.html");
    const std::string page(bytes.begin(), bytes.end());
    CHECK(page.find("<script>alert(1)") == std::string::npos);
    CHECK(page.find("<img src=x") == std::string::npos);
    // It is there, but escaped.
    CHECK(page.find("alert(1)") != std::string::npos);
}
