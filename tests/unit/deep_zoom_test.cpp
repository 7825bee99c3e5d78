#include "io/deep_zoom.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <fstream>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "broadloom/error.hpp"
#include "io/jpeg_codec.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

using Size = std::pair<int, int>;

/// Width and height in a JPEG's frame header (ITU-T T.81, B.2.2).
Size jpeg_size(const std::vector<uint8_t>& bytes) {
    for (size_t i = 2; i + 9 < bytes.size() && bytes[i] == 0xff;) {
        const int marker = bytes[i + 1];
        if (marker >= 0xc0 && marker <= 0xc2)
            return {bytes[i + 7] << 8 | bytes[i + 8], bytes[i + 5] << 8 | bytes[i + 6]};
        i += 2 + (size_t{bytes[i + 2]} << 8 | bytes[i + 3]);
    }
    return {0, 0};
}

std::map<std::string, Size> tiles_below(const std::filesystem::path& folder) {
    std::map<std::string, Size> tiles;
    for (const auto& entry : std::filesystem::recursive_directory_iterator(folder))
        if (entry.path().extension() == ".jpg")
            tiles[entry.path().lexically_relative(folder).native()] =
                jpeg_size(file_bytes(entry.path()));
    return tiles;
}

void write_tiles(const std::filesystem::path& folder, const PyramidShape& shape) {
    DeepZoomWriter writer(folder, shape);
    JpegEncoder encoder(50, JpegChroma::c420);
    const auto side = static_cast<size_t>(shape.tile + 2 * shape.overlap);
    const std::vector<uint8_t> grey(side * side * 4, 100);
    // Levels interleaved, as a children-first walk has them.
    for (int64_t step = 0; step < shape.rows(shape.levels() - 1); ++step)
        for (int level = shape.levels() - 1; level >= 0; --level) {
            if (step >= shape.rows(level)) continue;
            for (int64_t column = 0; column < shape.columns(level); ++column) {
                const Rect rect = shape.tile_rect(level, column, step);
                writer.put(level, column, step,
                           encoder.encode(grey.data(), rect.width(), rect.height(),
                                          static_cast<std::ptrdiff_t>(side * 4)));
            }
        }
    writer.sync();
}

}  // namespace

TEST_CASE("the tiles are those of libvips' deep-zoom writer", "[deep_zoom][reference]") {
    if (!has_command("vips")) {
        WARN("skipped: the vips program is not installed");
        return;
    }
    struct Case {
        int64_t width, height, tile, overlap;
    };
    const Case cases[] = {{613, 409, 254, 1}, {1, 1, 256, 0},      {512, 512, 512, 0},
                          {513, 300, 512, 0}, {257, 1031, 128, 2}, {8, 4, 3, 1},
                          {1000, 7, 256, 1},  {3, 2, 512, 0}};
    for (const Case& c : cases) {
        CAPTURE(c.width, c.height, c.tile, c.overlap);
        ScratchFolder folder;
        std::ofstream(folder / "in.ppm", std::ios::binary)
            << "P6\n"
            << c.width << " " << c.height << "\n255\n"
            << std::string(static_cast<size_t>(c.width * c.height * 3), '\x60');
        const CommandResult saved =
            run_command("vips dzsave " + (folder / "in.ppm").native() + " " +
                        (folder / "theirs").native() + " --tile-size " + std::to_string(c.tile) +
                        " --overlap " + std::to_string(c.overlap) + " --suffix .jpg");
        CAPTURE(saved.output);
        REQUIRE(saved.status == 0);
        const PyramidShape shape{c.width, c.height, c.tile, c.overlap};
        write_tiles(folder / "ours_files", shape);
        const auto theirs = tiles_below(folder / "theirs_files");
        const auto ours = tiles_below(folder / "ours_files");
        CHECK(static_cast<int64_t>(ours.size()) == shape.tile_count());
        CHECK(ours == theirs);
        // Its descriptor gives the same numbers.
        const std::vector<uint8_t> bytes = file_bytes(folder / "theirs.dzi");
        const std::string descriptor(bytes.begin(), bytes.end());
        const std::string own = deep_zoom_descriptor(shape);
        for (const std::string& part :
             {"Overlap=\"" + std::to_string(c.overlap) + "\"",
              "TileSize=\"" + std::to_string(c.tile) + "\"",
              "Width=\"" + std::to_string(c.width) + "\"",
              "Height=\"" + std::to_string(c.height) + "\"", std::string("Format=\"jpg\""),
              std::string("xmlns=\"http://schemas.microsoft.com/deepzoom/2008\"")}) {
            CAPTURE(part, own);
            CHECK(descriptor.find(part) != std::string::npos);
            CHECK(own.find(part) != std::string::npos);
        }
    }
}

TEST_CASE("the comparison of tiles notices another overlap", "[deep_zoom][negative]") {
    ScratchFolder folder;
    write_tiles(folder / "a", {613, 409, 254, 1});
    write_tiles(folder / "b", {613, 409, 254, 2});
    CHECK(tiles_below(folder / "a") != tiles_below(folder / "b"));
}

TEST_CASE("tiles of 254 with overlap 1 measure 255 in the corner and 256 inside", "[deep_zoom]") {
    ScratchFolder folder;
    write_tiles(folder / "t", {1000, 1000, 254, 1});
    const auto tiles = tiles_below(folder / "t");
    CHECK(tiles.at("10/0_0.jpg") == Size{255, 255});
    CHECK(tiles.at("10/1_1.jpg") == Size{256, 256});
    CHECK(tiles.at("0/0_0.jpg") == Size{1, 1});
}

TEST_CASE("a tile's bytes arrive unchanged and existing files are kept", "[deep_zoom]") {
    ScratchFolder folder;
    const std::vector<uint8_t> bytes{1, 2, 3, 0, 255};
    const PyramidShape shape{600, 600, 256, 0};
    DeepZoomWriter writer(folder / "t", shape);
    writer.sync();  // nothing to do yet
    CHECK_FALSE(std::filesystem::exists(folder / "t"));
    writer.put(10, 2, 1, bytes);
    CHECK(file_bytes(folder / "t" / "10" / "2_1.jpg") == bytes);
    try {
        writer.put(10, 2, 1, std::vector<uint8_t>{9});
        FAIL("no error");
    } catch (const Error& error) {
        CHECK(error.code() == ErrorCode::machine);
        CHECK(std::string(error.what()).find("10/2_1.jpg") != std::string::npos);
    }
    CHECK(file_bytes(folder / "t" / "10" / "2_1.jpg") == bytes);
    CHECK_THROWS_AS(writer.put(10, 3, 0, bytes), Error);
    CHECK_THROWS_AS(writer.put(11, 0, 0, bytes), Error);
    CHECK_THROWS_AS(writer.put(-1, 0, 0, bytes), Error);
}

TEST_CASE("a folder that cannot be made is the machine's refusal", "[deep_zoom][errors]") {
    ScratchFolder folder;
    std::ofstream(folder / "file") << "x";
    for (const char* name : {"file", "missing/t"}) {
        DeepZoomWriter writer(folder / name, {1, 1, 256, 0});
        try {
            writer.put(0, 0, 0, std::vector<uint8_t>{1});
            FAIL("no error");
        } catch (const Error& error) {
            CHECK(error.code() == ErrorCode::machine);
            CHECK(std::string(error.what()).find(name) != std::string::npos);
        }
    }
}
