// Signals, crashes, resuming and full disks.
#include <sys/mount.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <csignal>

#include "support/expect_failure.hpp"
#include "support/frame_files.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;
namespace fs = std::filesystem;

namespace {

/// Options that make a small scene take long enough to be interrupted.
const std::vector<std::string> kSlow{"--scale",           "8",    "--threads", "1",
                                     "--instruction-set", "plain"};

std::vector<std::string> slow(std::vector<std::string> more = {}) {
    more.insert(more.begin(), kSlow.begin(), kSlow.end());
    return more;
}

/// Sends `number` once the render into `out` has begun to write, `times` times, a moment apart.
ProcessOptions signal_when_writing(const fs::path& out, int number, int times = 1) {
    ProcessOptions options;
    options.signal = [=, sent = 0](double) mutable {
        std::error_code ignored;
        if (sent >= times || fs::file_size(out / "pano.tif.part", ignored) < 100000 || ignored)
            return 0;
        ++sent;
        return number;
    };
    return options;
}

/// The result apart from the report, whose times differ.
std::map<std::string, std::string> outputs_of(const fs::path& folder) {
    auto found = folder_content(folder);
    found.erase("report.json");
    return found;
}

class SmallDisk {
  public:
    SmallDisk(fs::path place, const std::string& options) : place_(std::move(place)) {
        fs::create_directories(place_);
        mounted_ = ::mount("none", place_.c_str(), "tmpfs", 0, options.c_str()) == 0;
        if (!mounted_) WARN("skipped: no right to mount a file system");
    }
    ~SmallDisk() {
        if (mounted_) ::umount2(place_.c_str(), MNT_DETACH);
    }
    SmallDisk(const SmallDisk&) = delete;
    SmallDisk& operator=(const SmallDisk&) = delete;
    [[nodiscard]] bool mounted() const { return mounted_; }

  private:
    fs::path place_;
    bool mounted_ = false;
};

}  // namespace

TEST_CASE("SIGINT and SIGTERM end a render within two seconds, cleanly", "[pipeline][signals]") {
    const SmallScene scene;
    for (const auto& [number, status] : {std::pair{SIGINT, 130}, {SIGTERM, 143}}) {
        const std::string out = "out" + std::to_string(number);
        const ProcessResult r =
            scene.render(slow(), out, signal_when_writing(scene.out(out), number));
        expect_failure(r, status, {"--out", out, "stopped", "--resume"});
        REQUIRE(r.seconds_after_signal);
        CHECK(*r.seconds_after_signal < 2);
        // Working files may stay for --resume; nothing has a final name.
        for (const std::string& name : kResultNames) {
            INFO(name);
            CHECK_FALSE(fs::exists(scene.out(out) / name));
        }
    }
}

TEST_CASE("a stopped render can be done again with and without --resume", "[pipeline][signals]") {
    const SmallScene scene;
    REQUIRE(scene.render(slow(), "whole").status == 0);
    const auto whole = outputs_of(scene.out("whole"));
    for (const bool resume : {false, true}) {
        const std::string out = resume ? "resumed" : "again";
        REQUIRE(scene.render(slow(), out, signal_when_writing(scene.out(out), SIGTERM)).status ==
                143);
        std::vector<std::string> options = slow();
        // A clean stop leaves either nothing, or something that only --resume may touch.
        if (resume || fs::exists(scene.out(out) / "job.part")) options.push_back("--resume");
        const ProcessResult r = scene.render(options, out);
        INFO(r.err);
        CHECK(r.status == 0);
        CHECK(outputs_of(scene.out(out)) == whole);
    }
}

TEST_CASE("after a crash the same job asks for --resume and finishes with it",
          "[pipeline][resume]") {
    const SmallScene scene;
    const ProcessResult killed =
        scene.render(slow(), "out", signal_when_writing(scene.out(), SIGKILL));
    REQUIRE(killed.killed);
    const auto names = result_names_in(scene.out());
    REQUIRE_FALSE(names.empty());
    for (const std::string& name : kResultNames) {
        INFO(name);
        CHECK(std::find(names.begin(), names.end(), name) == names.end());
    }
    const auto left = folder_content(scene.out());

    expect_failure(scene.render(slow()), 2, {"--out", "interrupted", "--resume"});
    CHECK(folder_content(scene.out()) == left);
    // Another job has no business there, with or without --resume.
    for (const std::vector<std::string>& more :
         {std::vector<std::string>{"--quality", "50"}, {"--quality", "50", "--resume"}}) {
        expect_failure(scene.render(slow(more)), 2, {"--out"});
        CHECK(folder_content(scene.out()) == left);
    }
    // Threads, memory and instruction set may change in between.
    const ProcessResult resumed =
        scene.render({"--scale", "8", "--threads", "3", "--memory", "400M", "--resume"});
    INFO(resumed.err);
    CHECK(resumed.status == 0);
    CHECK(result_names_in(scene.out()) == kResultNames);
    REQUIRE(scene.render(slow(), "whole").status == 0);
    CHECK(outputs_of(scene.out()) == outputs_of(scene.out("whole")));
}

TEST_CASE("a crash while a small file is written leaves nothing that bars --resume",
          "[pipeline][resume]") {
    const SmallScene scene;
    REQUIRE(scene.render(slow(), "out", signal_when_writing(scene.out(), SIGKILL)).killed);
    // What the atomic writer leaves when it is killed before its rename.
    write_bytes(scene.out() / ".broadloom-4711-0.tmp", {'{'});
    expect_failure(scene.render(slow()), 2, {"--out", "--resume"});
    const ProcessResult r = scene.render(slow({"--resume"}));
    INFO(r.err);
    CHECK(r.status == 0);
    CHECK(result_names_in(scene.out()) == kResultNames);
}

TEST_CASE("a second render into a folder in use is refused", "[pipeline][output]") {
    const SmallScene scene;
    std::optional<ProcessResult> second;
    ProcessOptions options;
    options.signal = [&](double) {
        std::error_code ignored;
        if (!second && fs::exists(scene.out() / "pano.tif.part", ignored)) {
            second = scene.render(slow({"--resume"}));
        }
        return 0;
    };
    CHECK(scene.render(slow(), "out", options).status == 0);
    REQUIRE(second);
    expect_failure(*second, 2, {"--out", "another render"});
    CHECK(result_names_in(scene.out()) == kResultNames);
}

TEST_CASE("a file size limit ends a render with the machine's status", "[pipeline][disk]") {
    const SmallScene scene;
    // Nothing to decide before: the first large file is the TIFF.
    const std::vector<std::string> simple{"--seams", "simple",        "--light",
                                          "as-is",   "--shift-limit", "0"};
    REQUIRE(scene.render(simple, "whole").status == 0);
    const auto tiff = fs::file_size(scene.out("whole") / "pano.tif");
    for (const uint64_t limit :
         {uint64_t{10}, uint64_t{4000}, uint64_t{tiff / 2}, uint64_t{tiff - 1}}) {
        ProcessOptions options;
        options.most_file_bytes = limit;
        const ProcessResult r = scene.render(simple, "out", options);
        INFO("limit " << limit);
        expect_failure(r, 4, {"limit"});
        CHECK_FALSE(fs::exists(scene.out()));
    }
    // What the frames are looked at for is larger than this picture.
    ProcessOptions options;
    options.most_file_bytes = tiff + (1U << 20);
    expect_failure(scene.render({}, "out", options), 4, {"survey.part", "limit"});
    CHECK_FALSE(fs::exists(scene.out()));
    // The limit alone is to blame: with more room it works.
    CHECK(scene.render(simple, "out", options).status == 0);
    options.most_file_bytes = tiff + (32U << 20);
    CHECK(scene.render({}, "fine", options).status == 0);
}

TEST_CASE("a disk too small is refused before the work", "[pipeline][disk]") {
    const SmallScene scene;
    const SmallDisk disk(scene.folder() / "disk", "size=1m");
    if (!disk.mounted()) return;
    expect_failure(scene.render({}, "disk/out"), 4, {"--out", "disk/out", "free", "make room"});
    CHECK(fs::is_empty(scene.folder() / "disk"));
}

TEST_CASE("a disk that fills up during the work ends it with nothing left", "[pipeline][disk]") {
    const SmallScene scene;
    SECTION("no more files") {
        // Room for bytes, but not for as many names as there are tiles.
        const SmallDisk disk(scene.folder() / "disk", "size=256m,nr_inodes=60");
        if (!disk.mounted()) return;
        const ProcessResult r = scene.render({"--tile", "32"}, "disk/out");
        expect_failure(r, 4, {"disk/out", "space"});
        CHECK(fs::is_empty(scene.folder() / "disk"));
    }
    SECTION("no more bytes") {
        const SmallDisk disk(scene.folder() / "disk", "size=400m");
        if (!disk.mounted()) return;
        ProcessOptions options;
        bool filled = false;
        options.signal = [&](double) {
            std::error_code ignored;
            if (!filled &&
                fs::file_size(scene.out("disk/out") / "pano.tif.part", ignored) > 100000 &&
                !ignored) {
                filled = true;
                std::ofstream hog(scene.folder() / "disk/hog", std::ios::binary);
                const std::string block(size_t{1} << 20, 'x');
                while (
                    hog.write(block.data(), static_cast<std::streamsize>(block.size())).flush()) {
                }
            }
            return 0;
        };
        const ProcessResult r =
            scene.render(slow({"--quality", "100", "--chroma", "444"}), "disk/out", options);
        REQUIRE(filled);
        expect_failure(r, 4, {"disk/out", "space"});
        CHECK_FALSE(fs::exists(scene.out("disk/out")));
    }
}
