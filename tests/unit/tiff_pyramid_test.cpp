#include "io/tiff_pyramid.hpp"

#include <fcntl.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <tiffio.h>
#include <turbojpeg.h>
#include <unistd.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <csignal>
#include <map>
#include <random>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "base/file_handle.hpp"
#include "broadloom/error.hpp"
#include "io/jpeg_codec.hpp"
#include "io/output_profiles.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

using Place = std::tuple<int, int64_t, int64_t>;  // level, column, row
using Jpegs = std::map<Place, std::vector<uint8_t>>;

/// Tiles of noise over slow waves: every one different.
Jpegs make_tiles(const PyramidShape& grid, int lowest_level, JpegChroma chroma) {
    Jpegs tiles;
    std::mt19937 random(3);
    JpegEncoder encoder(90, chroma);
    const auto side = static_cast<size_t>(grid.tile);
    std::vector<uint8_t> pixels(side * side * 4);
    for (int level = lowest_level; level < grid.levels(); ++level)
        for (int64_t row = 0; row < grid.rows(level); ++row)
            for (int64_t column = 0; column < grid.columns(level); ++column) {
                const auto base = static_cast<unsigned>(random());
                for (size_t i = 0; i < pixels.size(); ++i)
                    pixels[i] = static_cast<uint8_t>((i / side + (base >> (8 * (i % 4)))) % 224 +
                                                     random() % 32);
                const auto jpeg = encoder.encode(pixels.data(), grid.tile, grid.tile,
                                                 static_cast<std::ptrdiff_t>(side * 4));
                tiles[{level, column, row}].assign(jpeg.begin(), jpeg.end());
            }
    return tiles;
}

std::vector<uint8_t> decode(const std::vector<uint8_t>& jpeg, int64_t side) {
    std::vector<uint8_t> pixels(static_cast<size_t>(side * side * 3));
    tjhandle handle = tjInitDecompress();
    const int side_pixels = static_cast<int>(side);
    const int failed =
        tjDecompress2(handle, jpeg.data(), static_cast<unsigned long>(jpeg.size()), pixels.data(),
                      side_pixels, 3 * side_pixels, side_pixels, TJPF_RGB, 0);
    tjDestroy(handle);
    REQUIRE(failed == 0);
    return pixels;
}

void write_tiff(const std::filesystem::path& file, const PyramidShape& shape,
                const TiffPyramidOptions& options, const Jpegs& tiles, unsigned seed) {
    TiffPyramidWriter writer(file, shape, options);
    std::vector<Place> order;
    for (const auto& [place, jpeg] : tiles) order.push_back(place);
    std::mt19937 random(seed);
    std::shuffle(order.begin(), order.end(), random);
    writer.set_tables(jpeg_tables(tiles.begin()->second));
    std::vector<uint8_t> abbreviated;
    for (const Place& place : order) {
        const auto [level, column, row] = place;
        REQUIRE(writer.has_level(level));
        jpeg_abbreviated(tiles.at(place), abbreviated);
        writer.put(level, column, row, abbreviated);
    }
    writer.finish();
}

int tiff_complaints = 0;
void count_complaint(const char*, const char*, va_list) { ++tiff_complaints; }

template <typename T>
T tag(TIFF* tiff, uint32_t number) {
    T value{};
    REQUIRE(TIFFGetField(tiff, number, &value) == 1);
    return value;
}

struct Difference {
    int tiles = 0, wrong_tiles = 0, wrong_tags = 0;
};

/// Reads every directory and tile with libtiff.
Difference compare(const std::filesystem::path& file, const PyramidShape& grid,
                   const TiffPyramidOptions& options, const Jpegs& tiles) {
    Difference difference;
    const auto expect = [&](bool right) { difference.wrong_tags += right ? 0 : 1; };
    TIFF* tiff = TIFFOpen(file.c_str(), "r");
    REQUIRE(tiff != nullptr);
    int level = grid.levels() - 1;
    bool more = true;
    for (int page = 0; more; ++page, --level) {
        REQUIRE(level >= 0);
        const int64_t width = grid.level_width(level), height = grid.level_height(level);
        expect(tag<uint32_t>(tiff, TIFFTAG_SUBFILETYPE) == (page == 0 ? 0 : 1));
        expect(tag<uint32_t>(tiff, TIFFTAG_IMAGEWIDTH) == width);
        expect(tag<uint32_t>(tiff, TIFFTAG_IMAGELENGTH) == height);
        expect(tag<uint16_t>(tiff, TIFFTAG_BITSPERSAMPLE) == 8);
        expect(tag<uint16_t>(tiff, TIFFTAG_COMPRESSION) == COMPRESSION_JPEG);
        expect(tag<uint16_t>(tiff, TIFFTAG_PHOTOMETRIC) == PHOTOMETRIC_YCBCR);
        expect(tag<uint16_t>(tiff, TIFFTAG_SAMPLESPERPIXEL) == 3);
        expect(tag<uint16_t>(tiff, TIFFTAG_PLANARCONFIG) == PLANARCONFIG_CONTIG);
        expect(tag<uint16_t>(tiff, TIFFTAG_RESOLUTIONUNIT) == RESUNIT_INCH);
        expect(tag<uint32_t>(tiff, TIFFTAG_TILEWIDTH) == options.tile);
        expect(tag<uint32_t>(tiff, TIFFTAG_TILELENGTH) == options.tile);
        expect(tag<uint16_t>(tiff, TIFFTAG_YCBCRPOSITIONING) == YCBCRPOSITION_CENTERED);
        const double ppi = options.pixels_per_inch / static_cast<double>(int64_t{1} << page);
        expect(tag<float>(tiff, TIFFTAG_XRESOLUTION) == Approx(ppi));
        expect(tag<float>(tiff, TIFFTAG_YRESOLUTION) == Approx(ppi));
        uint16_t horizontal = 0, vertical = 0;
        TIFFGetField(tiff, TIFFTAG_YCBCRSUBSAMPLING, &horizontal, &vertical);
        expect(horizontal == (options.subsampled ? 2 : 1) && vertical == horizontal);
        float* reference = nullptr;
        REQUIRE(TIFFGetField(tiff, TIFFTAG_REFERENCEBLACKWHITE, &reference) == 1);
        const float full_range[] = {0, 255, 128, 255, 128, 255};
        expect(std::equal(reference, reference + 6, full_range));
        expect(std::string(tag<char*>(tiff, TIFFTAG_SOFTWARE)) == options.software);
        char* description = nullptr;
        const bool described = TIFFGetField(tiff, TIFFTAG_IMAGEDESCRIPTION, &description) == 1;
        expect(described == (page == 0 && !options.description.empty()));
        expect(!described || description == options.description);
        uint32_t icc_bytes = 0;
        const uint8_t* icc = nullptr;
        if (TIFFGetField(tiff, TIFFTAG_ICCPROFILE, &icc_bytes, &icc) == 1) {
            expect(std::vector<uint8_t>(icc, icc + icc_bytes) == options.icc);
        } else {
            expect(options.icc.empty());
        }

        TIFFSetField(tiff, TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
        const auto bytes = static_cast<size_t>(options.tile * options.tile * 3);
        REQUIRE(static_cast<size_t>(TIFFTileSize(tiff)) == bytes);
        std::vector<uint8_t> pixels(bytes);
        for (int64_t row = 0; row < grid.rows(level); ++row)
            for (int64_t column = 0; column < grid.columns(level); ++column) {
                ++difference.tiles;
                const uint32_t index =
                    TIFFComputeTile(tiff, static_cast<uint32_t>(column * grid.tile),
                                    static_cast<uint32_t>(row * grid.tile), 0, 0);
                REQUIRE(
                    TIFFReadEncodedTile(tiff, index, pixels.data(), static_cast<tmsize_t>(bytes)) ==
                    static_cast<tmsize_t>(bytes));
                if (pixels != decode(tiles.at({level, column, row}), grid.tile))
                    ++difference.wrong_tiles;
            }
        more = TIFFReadDirectory(tiff) == 1;
    }
    TIFFClose(tiff);
    return difference;
}

int lowest_level(const PyramidShape& grid) {
    int level = grid.levels() - 1;
    while (grid.columns(level) * grid.rows(level) > 1) --level;
    return level;
}

TiffPyramidOptions options_with(int64_t tile, bool subsampled) {
    TiffPyramidOptions options;
    options.tile = tile;
    options.subsampled = subsampled;
    options.software = "broadloom test";
    options.description = "A made-up valley";
    options.icc = output_profile(ColourSpace::srgb);
    return options;
}

uint64_t number_at(const std::vector<uint8_t>& bytes, size_t at, size_t size) {
    uint64_t value = 0;
    for (size_t i = 0; i < size; ++i) value |= uint64_t{bytes.at(at + i)} << (8 * i);
    return value;
}

}  // namespace

TEST_CASE("libtiff reads back every tag and every tile", "[tiff][reference]") {
    TIFFSetWarningHandler(count_complaint);
    TIFFSetErrorHandler(count_complaint);
    struct Case {
        int64_t width, height, tile;
        bool subsampled;
    };
    const Case cases[] = {{613, 409, 64, true}, {1, 1, 16, true},       {128, 128, 128, true},
                          {129, 7, 64, false},  {257, 1031, 256, true}, {97, 89, 16, false}};
    for (const Case& c : cases) {
        CAPTURE(c.width, c.height, c.tile, c.subsampled);
        ScratchFolder folder;
        const PyramidShape grid{c.width, c.height, c.tile, 0};
        const TiffPyramidOptions options = options_with(c.tile, c.subsampled);
        const Jpegs tiles = make_tiles(grid, lowest_level(grid),
                                       c.subsampled ? JpegChroma::c420 : JpegChroma::c444);
        // Levels do not depend on the tiles of the deep zoom beside the file.
        write_tiff(folder / "p.tif", {c.width, c.height, 254, 1}, options, tiles, 5);
        tiff_complaints = 0;
        const Difference difference = compare(folder / "p.tif", grid, options, tiles);
        CHECK(difference.tiles == static_cast<int>(tiles.size()));
        CHECK(difference.wrong_tiles == 0);
        CHECK(difference.wrong_tags == 0);
        CHECK(tiff_complaints == 0);
    }
}

TEST_CASE("the comparison of TIFFs notices swapped tiles and other tags", "[tiff][negative]") {
    ScratchFolder folder;
    const PyramidShape grid{200, 100, 64, 0};
    TiffPyramidOptions options = options_with(64, true);
    Jpegs tiles = make_tiles(grid, lowest_level(grid), JpegChroma::c420);
    write_tiff(folder / "p.tif", grid, options, tiles, 5);
    const int top = grid.levels() - 1;
    std::swap(tiles.at({top, 0, 0}), tiles.at({top, 1, 0}));
    options.software = "another";
    const Difference difference = compare(folder / "p.tif", grid, options, tiles);
    CHECK(difference.wrong_tiles == 2);
    CHECK(difference.wrong_tags == 3);  // once a directory
}

TEST_CASE("header and directories have the bytes of a BigTIFF", "[tiff]") {
    ScratchFolder folder;
    const PyramidShape grid{300, 200, 64, 0};
    const TiffPyramidOptions options = options_with(64, true);
    write_tiff(folder / "p.tif", grid, options,
               make_tiles(grid, lowest_level(grid), JpegChroma::c420), 5);
    const std::vector<uint8_t> bytes = file_bytes(folder / "p.tif");
    // BigTIFF: version 43 at 2-3, 8 at 4-5, 0 at 6-7, the first directory's offset at 8-15.
    CHECK(bytes[0] == 'I');
    CHECK(bytes[1] == 'I');
    CHECK(number_at(bytes, 2, 2) == 43);
    CHECK(number_at(bytes, 4, 2) == 8);
    CHECK(number_at(bytes, 6, 2) == 0);
    uint64_t at = number_at(bytes, 8, 8);
    int directories = 0;
    for (; at != 0; ++directories) {
        CHECK(at % 8 == 0);
        const uint64_t entries = number_at(bytes, at, 8);
        REQUIRE(entries < 100);
        uint64_t last_tag = 0;
        for (uint64_t i = 0; i < entries; ++i) {
            const uint64_t entry = at + 8 + 20 * i;
            const uint64_t number = number_at(bytes, entry, 2);
            CHECK(number > last_tag);  // TIFF 6.0, section 2: ascending order
            last_tag = number;
            const std::map<uint64_t, uint64_t> sizes{{2, 1}, {3, 2}, {4, 4},
                                                     {5, 8}, {7, 1}, {16, 8}};
            const uint64_t size =
                sizes.at(number_at(bytes, entry + 2, 2)) * number_at(bytes, entry + 4, 8);
            if (size <= 8) continue;
            const uint64_t value = number_at(bytes, entry + 12, 8);
            CHECK(value % 2 == 0);
            CHECK(value + size <= bytes.size());
        }
        at = number_at(bytes, at + 8 + 20 * entries, 8);
    }
    CHECK(directories == 4);  // 300x200, 150x100, 75x50, 38x25
}

TEST_CASE("the same order of tiles gives the same bytes", "[tiff]") {
    ScratchFolder folder;
    const PyramidShape grid{300, 200, 64, 0};
    const TiffPyramidOptions options = options_with(64, true);
    const Jpegs tiles = make_tiles(grid, lowest_level(grid), JpegChroma::c420);
    write_tiff(folder / "a.tif", grid, options, tiles, 5);
    write_tiff(folder / "b.tif", grid, options, tiles, 5);
    write_tiff(folder / "c.tif", grid, options, tiles, 6);
    CHECK(file_bytes(folder / "a.tif") == file_bytes(folder / "b.tif"));
    CHECK(file_bytes(folder / "a.tif") != file_bytes(folder / "c.tif"));
}

TEST_CASE("tiffinfo, vips and gdalinfo read all levels without a complaint", "[tiff][reference]") {
    ScratchFolder folder;
    const PyramidShape grid{613, 409, 64, 0};
    write_tiff(folder / "p.tif", grid, options_with(64, true),
               make_tiles(grid, lowest_level(grid), JpegChroma::c420), 5);
    const std::string file = (folder / "p.tif").native();
    if (has_command("tiffinfo")) {
        const CommandResult result = run_command("tiffinfo -D " + file);
        CAPTURE(result.output);
        CHECK(result.status == 0);
        CHECK(result.output.find("arning") == std::string::npos);
        CHECK(result.output.find("Image Width: 39 Image Length: 26") != std::string::npos);
    } else {
        WARN("skipped: tiffinfo is not installed");
    }
    if (has_command("vips") && has_command("vipsheader")) {
        for (int page = 0; page < 5; ++page) {
            const int level = grid.levels() - 1 - page;
            const std::string source = file + "[page=" + std::to_string(page) + "]";
            const CommandResult copied =
                run_command("vips copy '" + source + "' " + (folder / "out.v").native());
            CAPTURE(copied.output);
            CHECK(copied.status == 0);
            CHECK(copied.output.empty());
            const CommandResult header = run_command("vipsheader " + (folder / "out.v").native());
            CAPTURE(header.output);
            CHECK(header.output.find(std::to_string(grid.level_width(level)) + "x" +
                                     std::to_string(grid.level_height(level))) !=
                  std::string::npos);
        }
        CHECK(
            run_command("vips copy '" + file + "[page=5]' " + (folder / "out.v").native()).status !=
            0);
    } else {
        WARN("skipped: vips is not installed");
    }
    if (has_command("gdalinfo")) {
        const CommandResult result = run_command("gdalinfo -checksum " + file);
        CAPTURE(result.output);
        CHECK(result.status == 0);
        CHECK(result.output.find("Overviews: 307x205, 154x103, 77x52, 39x26") != std::string::npos);
        CHECK(result.output.find("arning") == std::string::npos);
        CHECK(result.output.find("ERROR") == std::string::npos);
    } else {
        WARN("skipped: gdalinfo is not installed");
    }
}

TEST_CASE("the writer refuses what would spoil the file", "[tiff][errors]") {
    ScratchFolder folder;
    const PyramidShape shape{100, 50, 64, 0};
    for (const int64_t tile : {0, -16, 254, 24, 65536}) {
        TiffPyramidOptions options;
        options.tile = tile;
        try {
            TiffPyramidWriter writer(folder / "bad.tif", shape, options);
            FAIL("no error");
        } catch (const Error& error) {
            CHECK(error.code() == ErrorCode::usage);
        }
        CHECK_FALSE(std::filesystem::exists(folder / "bad.tif"));
    }
    TiffPyramidOptions options;
    options.tile = 64;
    TiffPyramidWriter writer(folder / "p.tif", shape, options);
    CHECK_THROWS_AS(TiffPyramidWriter(folder / "p.tif", shape, options), Error);  // exists
    const std::vector<uint8_t> data(100, 7);
    CHECK(writer.has_level(7));
    CHECK(writer.has_level(6));
    CHECK_FALSE(writer.has_level(5));
    CHECK_FALSE(writer.has_level(8));
    CHECK_THROWS_AS(writer.put(5, 0, 0, data), Error);
    CHECK_THROWS_AS(writer.put(7, 2, 0, data), Error);
    CHECK_THROWS_AS(writer.put(7, 0, 1, data), Error);
    CHECK_THROWS_AS(writer.put(7, 0, 0, {}), Error);
    writer.put(7, 0, 0, data);
    CHECK_THROWS_AS(writer.put(7, 0, 0, data), Error);
    writer.put(6, 0, 0, data);
    CHECK_THROWS_AS(writer.finish(), Error);  // no tables
    writer.set_tables({1, 2, 3});
    CHECK_THROWS_AS(writer.set_tables({1, 2, 3}), Error);
    try {
        writer.finish();
        FAIL("no error");
    } catch (const Error& error) {
        CHECK(std::string(error.what()).find("level 7, column 1, row 0") != std::string::npos);
    }
    writer.put(7, 1, 0, data);
    writer.finish();
    CHECK_THROWS_AS(writer.put(7, 1, 0, data), Error);
}

TEST_CASE("tiles larger than the buffer and odd lengths keep their places", "[tiff]") {
    ScratchFolder folder;
    TiffPyramidOptions options;
    options.tile = 64;
    TiffPyramidWriter writer(folder / "p.tif", {128, 64, 64, 0}, options);
    writer.set_tables({1, 2, 3});
    const std::vector<uint8_t> small(101, 1), large((size_t{3} << 20) + 1, 2), other(7, 3);
    writer.put(7, 1, 0, small);
    writer.put(7, 0, 0, large);
    writer.put(6, 0, 0, other);
    writer.finish();
    const std::vector<uint8_t> bytes = file_bytes(folder / "p.tif");
    const auto piece = [&](size_t at, size_t size) {
        return std::vector<uint8_t>(bytes.begin() + static_cast<std::ptrdiff_t>(at),
                                    bytes.begin() + static_cast<std::ptrdiff_t>(at + size));
    };
    CHECK(piece(16, small.size()) == small);
    CHECK(piece(16 + 102, large.size()) == large);
    CHECK(piece(16 + 102 + large.size() + 1, other.size()) == other);
    TIFF* tiff = TIFFOpen((folder / "p.tif").c_str(), "r");
    REQUIRE(tiff != nullptr);
    CHECK(TIFFGetStrileOffset(tiff, 0) == 16 + 102);
    CHECK(TIFFGetStrileByteCount(tiff, 0) == large.size());
    CHECK(TIFFGetStrileOffset(tiff, 1) == 16);
    CHECK(TIFFGetStrileByteCount(tiff, 1) == small.size());
    TIFFClose(tiff);
}

TEST_CASE("an unfinished file is no picture to any reader", "[tiff]") {
    TIFFSetWarningHandler(nullptr);
    TIFFSetErrorHandler(nullptr);
    ScratchFolder folder;
    TiffPyramidOptions options;
    options.tile = 64;
    {
        TiffPyramidWriter writer(folder / "p.tif", {64, 64, 64, 0}, options);
        writer.put(6, 0, 0, std::vector<uint8_t>(size_t{2} << 20, 1));
    }
    CHECK(std::filesystem::file_size(folder / "p.tif") > 16);
    CHECK(TIFFOpen((folder / "p.tif").c_str(), "r") == nullptr);
}

TEST_CASE("a file size limit or a full disk ends in a clear refusal", "[tiff][errors]") {
    ScratchFolder folder;
    const auto file = folder / "p.tif";
    const pid_t child = ::fork();
    REQUIRE(child >= 0);
    if (child == 0) {
        // 0: the right error; others say what went wrong.
        std::signal(SIGXFSZ, SIG_IGN);
        const rlimit limit{size_t{3} << 20, size_t{3} << 20};
        if (::setrlimit(RLIMIT_FSIZE, &limit) != 0) ::_exit(2);
        int result = 3;
        try {
            TiffPyramidOptions options;
            options.tile = 64;
            TiffPyramidWriter writer(file, {64 * 64, 64, 64, 0}, options);
            for (int64_t column = 0; column < 64; ++column)
                writer.put(12, column, 0, std::vector<uint8_t>(100'001, 1));
        } catch (const Error& error) {
            const std::string message = error.what();
            result = error.code() != ErrorCode::machine                    ? 4
                     : message.find("p.tif") == std::string::npos          ? 5
                     : message.find("File too large") == std::string::npos ? 6
                     : message.find("; ") == std::string::npos             ? 7
                                                                           : 0;
        } catch (...) {
            result = 8;
        }
        ::_exit(result);
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    REQUIRE(WIFEXITED(status));
    CHECK(WEXITSTATUS(status) == 0);
    CHECK(std::filesystem::file_size(file) == size_t{3} << 20);  // short writes were continued

    FileHandle full(::open("/dev/full", O_WRONLY));
    if (!full.is_open()) {
        WARN("skipped: no /dev/full here");
        return;
    }
    try {
        write_fully(full.get(), std::vector<uint8_t>(10, 1), "some\nname");
        FAIL("no error");
    } catch (const Error& error) {
        const std::string message = error.what();
        CHECK(error.code() == ErrorCode::machine);
        CHECK(message.find("No space left") != std::string::npos);
        CHECK(message.find("name") != std::string::npos);
        CHECK(message.find('\n') == std::string::npos);
    }
}

TEST_CASE("resolutions are halved exactly, or as nearly as 32 bits allow", "[tiff]") {
    TIFFSetWarningHandler(nullptr);
    ScratchFolder folder;
    int number = 0;
    for (const double ppi : {300.0, 0.001, 72.5, 96.012, 1e6, 1.0 / 3}) {
        CAPTURE(ppi);
        TiffPyramidOptions options;
        options.tile = 16;
        options.pixels_per_inch = ppi;
        const auto file = folder / (std::to_string(number++) + ".tif");
        const PyramidShape grid{5000, 1, 16, 0};
        {
            TiffPyramidWriter writer(file, grid, options);
            writer.set_tables({1, 2, 3});
            for (int level = grid.levels() - 1; level >= lowest_level(grid); --level)
                for (int64_t column = 0; column < grid.columns(level); ++column)
                    writer.put(level, column, 0, std::vector<uint8_t>(10, 1));
            writer.finish();
        }
        TIFF* tiff = TIFFOpen(file.c_str(), "r");
        REQUIRE(tiff != nullptr);
        double expected = ppi;
        do {
            CHECK(tag<float>(tiff, TIFFTAG_XRESOLUTION) == Approx(expected).epsilon(1e-3));
            expected /= 2;
        } while (TIFFReadDirectory(tiff) == 1);
        TIFFClose(tiff);
    }
    for (const double ppi : {0.0, -1.0, 1e7, std::nan("")}) {
        TiffPyramidOptions options;
        options.pixels_per_inch = ppi;
        CHECK_THROWS_AS(TiffPyramidWriter(folder / "bad.tif", {10, 10, 16, 0}, options), Error);
    }
}
