// TIFFs without loss: 8 and 16 bits, with alpha and without, read back by libtiff, libvips and
// GDAL.
#include <tiffio.h>
#include <vips/vips.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstring>
#include <map>
#include <random>
#include <string>
#include <tuple>
#include <vector>

#include "broadloom/error.hpp"
#include "io/deflate_tile.hpp"
#include "io/output_profiles.hpp"
#include "io/tiff_pyramid.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

using Place = std::tuple<int, int64_t, int64_t>;  // level, column, row

struct Kind {
    int bits;
    bool alpha;
    [[nodiscard]] int samples() const { return alpha ? 4 : 3; }
    [[nodiscard]] int64_t pixel_bytes() const { return samples() * bits / 8; }
};
const Kind kKinds[] = {{8, false}, {8, true}, {16, false}, {16, true}};

/// One level's pixels as the file shall hold them, every sample different from its neighbours.
std::vector<uint8_t> level_pixels(const PyramidShape& grid, int level, const Kind& kind) {
    const int64_t w = grid.level_width(level);
    const int64_t h = grid.level_height(level);
    std::vector<uint8_t> bytes(static_cast<size_t>(w * h * kind.pixel_bytes()));
    std::mt19937 random(static_cast<unsigned>(level));
    for (int64_t i = 0; i < w * h * kind.samples(); ++i) {
        const double wave = 0.5 + 0.45 * std::sin(0.02 * static_cast<double>(i % (w * 4)) + level);
        if (kind.bits == 16) {
            const auto v = static_cast<uint16_t>(wave * 65000 + random() % 500);
            std::memcpy(&bytes[static_cast<size_t>(2 * i)], &v, 2);
        } else {
            bytes[static_cast<size_t>(i)] = static_cast<uint8_t>(wave * 240 + random() % 16);
        }
    }
    return bytes;
}

/// A tile cut out of a level; beyond its edges the last pixels go on.
std::vector<uint8_t> cut(const std::vector<uint8_t>& level, int64_t width, int64_t height,
                         int64_t tile, int64_t column, int64_t row, int64_t pixel) {
    std::vector<uint8_t> out(static_cast<size_t>(tile * tile * pixel));
    for (int64_t y = 0; y < tile; ++y) {
        for (int64_t x = 0; x < tile; ++x) {
            const int64_t from = std::min(row * tile + y, height - 1) * width +
                                 std::min(column * tile + x, width - 1);
            std::memcpy(&out[static_cast<size_t>((y * tile + x) * pixel)],
                        &level[static_cast<size_t>(from * pixel)], static_cast<size_t>(pixel));
        }
    }
    return out;
}

struct Pyramid {
    PyramidShape grid;
    Kind kind;
    std::map<int, std::vector<uint8_t>> levels;

    Pyramid(int64_t width, int64_t height, int64_t tile, const Kind& k)
        : grid{width, height, tile, 0}, kind(k) {
        int level = grid.levels() - 1;
        for (;; --level) {
            levels[level] = level_pixels(grid, level, kind);
            if (grid.columns(level) * grid.rows(level) == 1) break;
        }
    }
    [[nodiscard]] std::vector<uint8_t> tile(const Place& place) const {
        const auto [level, column, row] = place;
        return cut(levels.at(level), grid.level_width(level), grid.level_height(level), grid.tile,
                   column, row, kind.pixel_bytes());
    }
    [[nodiscard]] std::vector<Place> places(unsigned seed) const {
        std::vector<Place> all;
        for (const auto& [level, pixels] : levels) {
            for (int64_t r = 0; r < grid.rows(level); ++r) {
                for (int64_t c = 0; c < grid.columns(level); ++c) all.emplace_back(level, c, r);
            }
        }
        std::mt19937 random(seed);
        std::shuffle(all.begin(), all.end(), random);
        return all;
    }
    [[nodiscard]] TiffPyramidOptions options() const {
        TiffPyramidOptions o;
        o.tile = grid.tile;
        o.compression = TiffCompression::deflate;
        o.bits = kind.bits;
        o.alpha = kind.alpha;
        o.icc = output_profile(ColourSpace::srgb);
        o.software = "broadloom test";
        o.description = "A made-up valley";
        o.artist = "Imke Talvik; R\xc3\xb8n Aasby";  // invented
        o.copyright = "(c) 2031 Imke Talvik";
        o.date_time = "2031:05:14 10:20:30";
        o.xmp = "<?xpacket begin=\"\"?><x/><?xpacket end=\"w\"?>";
        return o;
    }
};

void put(TiffPyramidWriter& writer, DeflateTileEncoder& encoder, const Pyramid& p,
         const Place& place) {
    const std::vector<uint8_t> pixels = p.tile(place);
    const auto [level, column, row] = place;
    writer.put(level, column, row,
               encoder.encode({pixels.data(), p.grid.tile, p.grid.tile,
                               p.grid.tile * p.kind.pixel_bytes(), p.kind.samples(), p.kind.bits}));
}

void write(const std::filesystem::path& file, const Pyramid& p) {
    TiffPyramidWriter writer(file, p.grid, p.options());
    DeflateTileEncoder encoder;
    for (const Place& place : p.places(4)) put(writer, encoder, p, place);
    writer.finish();
}

int complaints = 0;
void count_complaint(const char*, const char*, va_list) { ++complaints; }

template <typename T>
T tag(TIFF* tiff, uint32_t number) {
    T value{};
    REQUIRE(TIFFGetField(tiff, number, &value) == 1);
    return value;
}

std::string text(TIFF* tiff, uint32_t number) {
    char* value = nullptr;
    return TIFFGetField(tiff, number, &value) == 1 ? value : "";
}

/// Tiles that libtiff reads otherwise than they were put; its own code undoes the differences.
int wrong_tiles(const std::filesystem::path& file, const Pyramid& p) {
    TIFF* tiff = TIFFOpen(file.c_str(), "r");
    REQUIRE(tiff != nullptr);
    int wrong = 0;
    for (auto at = p.levels.rbegin(); at != p.levels.rend(); ++at) {
        const int level = at->first;
        const auto bytes = static_cast<size_t>(p.grid.tile * p.grid.tile * p.kind.pixel_bytes());
        REQUIRE(static_cast<size_t>(TIFFTileSize(tiff)) == bytes);
        std::vector<uint8_t> pixels(bytes);
        for (int64_t r = 0; r < p.grid.rows(level); ++r) {
            for (int64_t c = 0; c < p.grid.columns(level); ++c) {
                const uint32_t index =
                    TIFFComputeTile(tiff, static_cast<uint32_t>(c * p.grid.tile),
                                    static_cast<uint32_t>(r * p.grid.tile), 0, 0);
                REQUIRE(
                    TIFFReadEncodedTile(tiff, index, pixels.data(), static_cast<tmsize_t>(bytes)) ==
                    static_cast<tmsize_t>(bytes));
                wrong += pixels == p.tile({level, c, r}) ? 0 : 1;
            }
        }
        const bool last = std::next(at) == p.levels.rend();
        CHECK((TIFFReadDirectory(tiff) == 1) != last);
    }
    TIFFClose(tiff);
    return wrong;
}

}  // namespace

TEST_CASE("libtiff reads back every sample of 8 and 16 bits, with alpha and without",
          "[tiff][deflate][reference]") {
    TIFFSetWarningHandler(count_complaint);
    TIFFSetErrorHandler(count_complaint);
    for (const Kind& kind : kKinds) {
        for (const auto& [w, h, tile] : std::vector<std::tuple<int64_t, int64_t, int64_t>>{
                 {313, 209, 64}, {1, 1, 16}, {128, 128, 128}, {129, 7, 64}, {61, 257, 48}}) {
            CAPTURE(kind.bits, kind.alpha, w, h, tile);
            const ScratchFolder folder;
            const Pyramid p(w, h, tile, kind);
            write(folder / "p.tif", p);
            complaints = 0;
            CHECK(wrong_tiles(folder / "p.tif", p) == 0);
            CHECK(complaints == 0);
        }
    }
    TIFFSetWarningHandler(nullptr);
    TIFFSetErrorHandler(nullptr);
}

TEST_CASE("a tile swapped, or one bit of it, is noticed", "[tiff][deflate][negative]") {
    const ScratchFolder folder;
    Pyramid p(200, 100, 64, {16, true});
    write(folder / "p.tif", p);
    const int top = p.grid.levels() - 1;
    p.levels.at(top)[5001] ^= 1;
    CHECK(wrong_tiles(folder / "p.tif", p) == 1);
    // Whoever takes one sample for two bytes of 8 bits gets something else: the differences are of
    // 16 bits.
    std::vector<uint8_t> pixels = p.tile({top, 0, 0});
    DeflateTileEncoder encoder;
    const auto bytes_of = [&](int samples, int bits) {
        const auto span = encoder.encode({pixels.data(), p.grid.tile * 8 * 8 / (samples * bits),
                                          p.grid.tile, p.grid.tile * 8, samples, bits});
        return std::vector<uint8_t>(span.begin(), span.end());
    };
    CHECK(bytes_of(4, 16) == bytes_of(4, 16));
    CHECK(bytes_of(4, 16) != bytes_of(4, 8));
    CHECK(bytes_of(4, 16) != bytes_of(2, 16));
}

TEST_CASE("the tags of a TIFF without loss", "[tiff][deflate]") {
    for (const Kind& kind : kKinds) {
        CAPTURE(kind.bits, kind.alpha);
        const ScratchFolder folder;
        const Pyramid p(150, 100, 64, kind);
        write(folder / "p.tif", p);
        TIFF* tiff = TIFFOpen((folder / "p.tif").c_str(), "r");
        REQUIRE(tiff != nullptr);
        const TiffPyramidOptions o = p.options();
        for (size_t page = 0; page < p.levels.size(); ++page) {
            CAPTURE(page);
            const bool first = page == 0;
            CHECK(tag<uint16_t>(tiff, TIFFTAG_COMPRESSION) == COMPRESSION_ADOBE_DEFLATE);
            CHECK(tag<uint16_t>(tiff, TIFFTAG_PREDICTOR) == PREDICTOR_HORIZONTAL);
            CHECK(tag<uint16_t>(tiff, TIFFTAG_PHOTOMETRIC) == PHOTOMETRIC_RGB);
            CHECK(tag<uint16_t>(tiff, TIFFTAG_BITSPERSAMPLE) == kind.bits);
            CHECK(tag<uint16_t>(tiff, TIFFTAG_SAMPLESPERPIXEL) == kind.samples());
            uint16_t count = 0;
            uint16_t* extra = nullptr;
            CHECK((TIFFGetField(tiff, TIFFTAG_EXTRASAMPLES, &count, &extra) == 1) == kind.alpha);
            if (kind.alpha) {
                REQUIRE(count == 1);
                CHECK(extra[0] == EXTRASAMPLE_UNASSALPHA);
            }
            uint32_t bytes = 0;
            uint8_t* data = nullptr;
            REQUIRE(TIFFGetField(tiff, TIFFTAG_ICCPROFILE, &bytes, &data) == 1);
            CHECK(std::vector<uint8_t>(data, data + bytes) == o.icc);
            CHECK(text(tiff, TIFFTAG_SOFTWARE) == o.software);
            // What is told about the picture stands with the picture alone.
            CHECK(text(tiff, TIFFTAG_IMAGEDESCRIPTION) == (first ? o.description : ""));
            CHECK(text(tiff, TIFFTAG_ARTIST) == (first ? o.artist : ""));
            CHECK(text(tiff, TIFFTAG_COPYRIGHT) == (first ? o.copyright : ""));
            CHECK(text(tiff, TIFFTAG_DATETIME) == (first ? o.date_time : ""));
            CHECK((TIFFGetField(tiff, TIFFTAG_XMLPACKET, &bytes, &data) == 1) == first);
            if (first) CHECK(std::string(data, data + bytes) == o.xmp);
            CHECK(TIFFGetField(tiff, TIFFTAG_JPEGTABLES, &bytes, &data) == 0);
            TIFFReadDirectory(tiff);
        }
        TIFFClose(tiff);
    }
}

TEST_CASE("libvips and GDAL read all levels of a TIFF without loss", "[tiff][deflate][reference]") {
    REQUIRE(vips_init("tiff_deflate_test") == 0);
    for (const Kind& kind : kKinds) {
        CAPTURE(kind.bits, kind.alpha);
        const ScratchFolder folder;
        const Pyramid p(613, 409, 64, kind);
        write(folder / "p.tif", p);
        int page = 0;
        for (auto at = p.levels.rbegin(); at != p.levels.rend(); ++at, ++page) {
            VipsImage* image =
                vips_image_new_from_file((folder / "p.tif").c_str(), "page", page, nullptr);
            REQUIRE(image != nullptr);
            CHECK(image->Bands == kind.samples());
            CHECK(image->BandFmt == (kind.bits == 16 ? VIPS_FORMAT_USHORT : VIPS_FORMAT_UCHAR));
            size_t bytes = 0;
            void* data = vips_image_write_to_memory(image, &bytes);
            REQUIRE(data != nullptr);
            const auto* from = static_cast<const uint8_t*>(data);
            CHECK(std::vector<uint8_t>(from, from + bytes) == at->second);
            g_free(data);
            g_object_unref(image);
        }
        if (!has_command("gdalinfo")) {
            WARN("skipped: gdalinfo is not installed");
            continue;
        }
        const CommandResult r = run_command("gdalinfo -checksum " + (folder / "p.tif").native());
        CAPTURE(r.output);
        CHECK(r.status == 0);
        CHECK(r.output.find("Overviews: 307x205, 154x103, 77x52, 39x26") != std::string::npos);
        CHECK(r.output.find("COMPRESSION=DEFLATE") != std::string::npos);
        CHECK((r.output.find("ColorInterp=Alpha") != std::string::npos) == kind.alpha);
        CHECK((r.output.find("Type=UInt16") != std::string::npos) == (kind.bits == 16));
        CHECK(r.output.find("arning") == std::string::npos);
        CHECK(r.output.find("ERROR") == std::string::npos);
    }
}

TEST_CASE("a TIFF without loss goes on where it was saved, with the same bytes",
          "[tiff][deflate][resume]") {
    const ScratchFolder folder;
    const Pyramid p(300, 200, 64, {16, true});
    write(folder / "whole.tif", p);
    const std::vector<Place> places = p.places(4);
    DeflateTileEncoder encoder;
    TiffPyramidWriter::State state;
    {
        TiffPyramidWriter writer(folder / "p.tif", p.grid, p.options());
        for (size_t i = 0; i < 9; ++i) put(writer, encoder, p, places[i]);
        state = writer.save();
        // Lost: put after the last save.
        for (size_t i = 9; i < 12; ++i) put(writer, encoder, p, places[i]);
        writer.save();
    }
    {
        TiffPyramidWriter writer(folder / "p.tif", p.grid, p.options(), state);
        for (size_t i = 9; i < places.size(); ++i) put(writer, encoder, p, places[i]);
        writer.finish();
    }
    CHECK(file_bytes(folder / "p.tif") == file_bytes(folder / "whole.tif"));
    CHECK(wrong_tiles(folder / "p.tif", p) == 0);
}

TEST_CASE("tiles and options that make no sense are refused", "[tiff][deflate][errors]") {
    const ScratchFolder folder;
    const PyramidShape shape{64, 64, 64, 0};
    TiffPyramidOptions deep;
    deep.tile = 64;
    deep.bits = 16;  // JPEG holds 8
    CHECK_THROWS_AS(TiffPyramidWriter(folder / "a.tif", shape, deep), Error);
    deep.compression = TiffCompression::deflate;
    deep.date_time = "2031:05:14";
    CHECK_THROWS_AS(TiffPyramidWriter(folder / "a.tif", shape, deep), Error);
    deep.date_time.clear();
    deep.bits = 12;
    CHECK_THROWS_AS(TiffPyramidWriter(folder / "a.tif", shape, deep), Error);
    CHECK_FALSE(std::filesystem::exists(folder / "a.tif"));
    deep.bits = 16;
    TiffPyramidWriter writer(folder / "a.tif", shape, deep);
    CHECK_THROWS_AS(writer.set_tables({1, 2}), Error);
    CHECK_THROWS_AS(DeflateTileEncoder(0), Error);
    CHECK_THROWS_AS(DeflateTileEncoder(13), Error);
    DeflateTileEncoder encoder;
    const std::vector<uint8_t> pixels(64);
    CHECK_THROWS_AS(encoder.encode({pixels.data(), 0, 1, 64, 3, 8}), Error);
    CHECK_THROWS_AS(encoder.encode({pixels.data(), 1, 1, 64, 5, 8}), Error);
    CHECK_THROWS_AS(encoder.encode({pixels.data(), 1, 1, 64, 3, 12}), Error);
    CHECK_THROWS_AS(encoder.encode({pixels.data(), 16, 1, 64, 3, 16}), Error);  // 96 bytes a row
    CHECK_NOTHROW(encoder.encode({pixels.data(), 8, 1, 64, 4, 16}));
}
