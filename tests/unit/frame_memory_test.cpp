/// Whether frame_bytes() + frame_decode_bytes() bound what a decode takes, by the kernel's own
/// count of resident memory. Each measurement runs in a fresh process: this program, started again.
#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <cstdlib>

#include "io/frame_reader.hpp"
#include "support/frame_files.hpp"
#include "support/sanitized.hpp"

namespace broadloom {
namespace {

using test::Folder;
using test::kSanitized;

/// A line of /proc/self/status, bytes.
int64_t status_bytes(const std::string& key) {
    std::ifstream in("/proc/self/status");
    std::string line;
    while (std::getline(in, line)) {
        if (line.rfind(key + ":", 0) == 0) return std::stoll(line.substr(key.size() + 1)) * 1024;
    }
    return -1;
}

/// Sets VmHWM back to what is resident now (man 5 proc, clear_refs).
bool reset_peak() {
    std::ofstream out("/proc/self/clear_refs");
    out << "5" << std::flush;
    return out.good();
}

}  // namespace

/// Decodes the file of the environment thrice; the exit status of the process is the result.
TEST_CASE("child: a decode stays within its bound", "[.child]") {
    const char* file = std::getenv("FRAME_FILE");
    const char* text = std::getenv("FRAME_DENOMINATOR");
    REQUIRE(file != nullptr);
    REQUIRE(text != nullptr);
    const int denominator = std::atoi(text);
    const FrameInfo info = probe_frame(file, "frame");
    const auto bound = static_cast<int64_t>(frame_bytes(info, denominator) +
                                            frame_decode_bytes(info, denominator));
    const int64_t at_first = status_bytes("VmRSS");
    for (int round = 0; round < 3; ++round) {
        FramePixels pixels;
        REQUIRE(reset_peak());
        const int64_t before = status_bytes("VmRSS");
        decode_frame(file, "frame", info, denominator, pixels);
        const int64_t grown = status_bytes("VmHWM") - before;
        CAPTURE(round, grown, bound);
        CHECK(grown <= bound);
        // The bound is of use only if it is near; small constants do not count.
        CHECK(grown + (int64_t{12} << 20) > bound / 3);
        const auto planes = static_cast<int64_t>(frame_bytes(info, denominator));
        CHECK(grown > planes * 9 / 10);
        pixels.release();
        CHECK(status_bytes("VmRSS") - before < (int64_t{3} << 20));
    }
    // Nothing piles up from decode to decode.
    CHECK(status_bytes("VmRSS") - at_first < (int64_t{4} << 20));
}

TEST_CASE("decoding takes no more memory than announced", "[frame_reader][memory]") {
    if (kSanitized) {
        WARN("skipped: a sanitizer's own memory would be counted");
        return;
    }
    if (!reset_peak()) {
        WARN("skipped: this system cannot reset the peak of resident memory");
        return;
    }
    start_frame_library();
    const Folder folder;
    const auto measure = [&](const std::string& file, int denominator) {
        const pid_t child = fork();
        if (child == 0) {
            setenv("FRAME_FILE", (folder / file).c_str(), 1);
            setenv("FRAME_DENOMINATOR", std::to_string(denominator).c_str(), 1);
            execl("/proc/self/exe", "frame_memory_test", "[.child]", static_cast<char*>(nullptr));
            _exit(127);
        }
        int status = -1;
        REQUIRE(waitpid(child, &status, 0) == child);
        CAPTURE(file, denominator);
        CHECK(status == 0);
    };
    SECTION("JPEG of 20 megapixels") {
        const auto p = test::wavy<uint8_t>(5472, 3648, 3);
        for (const bool progressive : {false, true}) {
            test::JpegOptions options;
            options.factors = {{2, 2}, {1, 1}, {1, 1}};
            options.progressive = progressive;
            test::write_bytes(folder / "a.jpg", test::write_jpeg(p, options));
            for (const int d : {1, 8}) measure("a.jpg", d);
        }
    }
    SECTION("PNG and TIFF of 16 bits") {
        const auto p = test::wavy<uint16_t>(3001, 2003, 3);
        for (const std::string kind :
             {"a.png[compression=1]", "a.png[compression=1,interlace]", "a.tif[compression=none]",
              "a.tif[compression=deflate,level=1]",
              "a.tif[compression=lzw,tile,tile-width=512,tile-height=512]"}) {
            test::save_vips(test::to_vips(p, VIPS_INTERPRETATION_RGB16), (folder / kind).string());
            for (const int d : {1, 4}) measure(kind.substr(0, 5), d);
        }
    }
    SECTION("TIFF in one strip") {
        // tiffcp writes strips of any height; libvips does not.
        if (std::system("command -v tiffcp >/dev/null") != 0) {
            WARN("skipped: tiffcp is not installed");
            return;
        }
        const auto p = test::wavy<uint8_t>(4001, 3001, 3);
        test::save_vips(test::to_vips(p, VIPS_INTERPRETATION_sRGB), (folder / "a.tif").string());
        for (const std::string options :
             {"-c none", "-c zip", "-c lzw", "-c jpeg:r:90", "-p separate -c zip"}) {
            const std::string command = "tiffcp -r 100000 " + options + " '" +
                                        (folder / "a.tif").string() + "' '" +
                                        (folder / "one.tif").string() + "'";
            REQUIRE(std::system(command.c_str()) == 0);
            CAPTURE(options);
            measure("one.tif", 1);
            measure("one.tif", 8);
        }
    }
}

}  // namespace broadloom
