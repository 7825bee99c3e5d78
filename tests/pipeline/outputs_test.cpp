// What other programs make of a finished result: libvips, libtiff's tools, GDAL.
#include <catch2/catch.hpp>
#include <cmath>

#include "support/frame_files.hpp"
#include "support/read_back.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;
using broadloom::testing::run_command;
namespace fs = std::filesystem;

namespace {

struct Variant {
    std::string name;
    int columns, rows;
    bool turn;
    std::vector<std::string> options;
    int tile = 512, overlap = 0;
};

std::vector<Variant> variants() {
    return {
        {"one tile", 2, 1, false, {"--scale", "0.5"}},
        {"odd sizes, small tiles", 3, 2, false, {"--scale", "1.37", "--tile", "64"}, 64, 0},
        {"tile 254, overlap 1",
         3,
         2,
         false,
         {"--scale", "2", "--tile", "254", "--overlap", "1"},
         254,
         1},
        {"tile 256", 3, 2, false, {"--scale", "1.9", "--tile", "256"}, 256, 0},
        {"4:4:4", 3, 2, false, {"--tile", "128", "--chroma", "444"}, 128, 0},
        {"a full turn", 6, 1, true, {"--tile", "128"}, 128, 0},
        {"draft", 3, 2, false, {"--pass", "draft", "--scale", "1.3", "--tile", "128"}, 128, 0},
    };
}

// IEC 61966-2-1.
double decode(int v) {
    const double e = v / 255.0;
    return e <= 0.04045 ? e / 12.92 : std::pow((e + 0.055) / 1.055, 2.4);
}
double encode(double v) {
    return 255 * (v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055);
}

/// Mean absolute difference between a level and the 2x2 means, in linear light, of the level below
/// it, which is read `shift` pixels to the right.
double shrink_difference(const Pixels& small, const Pixels& large, int64_t shift) {
    double sum = 0;
    int64_t count = 0;
    for (int64_t y = 0; 2 * y + 1 < large.height; ++y) {
        for (int64_t x = 0; 2 * x + 1 + shift < large.width; ++x) {
            for (int c = 0; c < 3; ++c) {
                double light = 0;
                for (int i = 0; i < 4; ++i)
                    light += decode(large.at(2 * x + i % 2 + shift, 2 * y + i / 2, c));
                sum += std::abs(encode(light / 4) - small.at(x, y, c));
                ++count;
            }
        }
    }
    return sum / static_cast<double>(count);
}

std::string text_of(const fs::path& path) {
    const Bytes b = read_bytes(path);
    return {b.begin(), b.end()};
}

std::string attribute(const std::string& xml, const std::string& name) {
    const std::string key = name + "=\"";
    const size_t at = xml.find(key);
    if (at == std::string::npos) return "absent";
    const size_t start = at + key.size();
    return xml.substr(start, xml.find('"', start) - start);
}

std::string shell_quoted(const fs::path& p) { return "'" + p.native() + "'"; }

/// Tiles by relative name with their sizes.
std::map<std::string, std::pair<int64_t, int64_t>> tile_sizes(const fs::path& folder) {
    std::map<std::string, std::pair<int64_t, int64_t>> found;
    for (const auto& entry : fs::recursive_directory_iterator(folder)) {
        if (!entry.is_regular_file() || entry.path().extension() != ".jpg") continue;
        const Pixels p = load(entry.path().native());
        found[entry.path().lexically_relative(folder).native()] = {p.width, p.height};
    }
    return found;
}

}  // namespace

TEST_CASE("outputs are what other programs expect", "[pipeline][outputs]") {
    for (const Variant& v : variants()) {
        const SmallScene scene(v.columns, v.rows, v.turn);
        const ProcessResult r = scene.render(v.options);
        INFO(v.name << ": " << r.err);
        REQUIRE(r.status == 0);
        const fs::path out = scene.out();
        const std::string tiff = (out / "pano.tif").native();
        const auto report = nlohmann::json::parse(text_of(out / "report.json"));
        const int64_t width = report["width"];
        const int64_t height = report["height"];
        if (v.turn) CHECK(width % 512 == 0);

        // The tile set and every tile's size, against libvips' deep-zoom output of the same
        // picture.
        const std::string dzsave = "vips dzsave " + shell_quoted(tiff) + " " +
                                   shell_quoted(scene.folder() / "reference") + " --tile-size " +
                                   std::to_string(v.tile) + " --overlap " +
                                   std::to_string(v.overlap) + " --suffix .jpg";
        const auto saved = run_command(dzsave);
        INFO(saved.output);
        REQUIRE(saved.status == 0);
        const auto ours = tile_sizes(out / "pano_files");
        const auto theirs = tile_sizes(scene.folder() / "reference_files");
        CHECK(ours == theirs);
        size_t files = 0;
        for (const auto& e : fs::recursive_directory_iterator(out / "pano_files"))
            files += e.is_regular_file();
        CHECK(files == ours.size());
        const std::string our_dzi = text_of(out / "pano.dzi");
        const std::string their_dzi = text_of(scene.folder() / "reference.dzi");
        for (const char* name : {"TileSize", "Overlap", "Width", "Height", "xmlns"}) {
            CHECK(attribute(our_dzi, name) == attribute(their_dzi, name));
        }
        CHECK(attribute(our_dzi, "Format") == "jpg");
        CHECK(attribute(our_dzi, "Width") == std::to_string(width));
        CHECK(attribute(our_dzi, "Height") == std::to_string(height));

        // BigTIFF: version 43 at bytes 2-3, 8 at 4-5, 0 at 6-7.
        const Bytes head = read_bytes(tiff);
        REQUIRE(head.size() > 16);
        CHECK(Bytes(head.begin(), head.begin() + 8) == Bytes{'I', 'I', 43, 0, 8, 0, 0, 0});

        // Every page by libtiff's tools, without a warning.
        const auto info = run_command("tiffinfo " + shell_quoted(tiff));
        INFO(info.output);
        CHECK(info.status == 0);
        CHECK(info.output.find("arning") == std::string::npos);
        CHECK(info.output.find("rror") == std::string::npos);
        CHECK(info.output.find("ICC Profile: <present>") != std::string::npos);
        CHECK(info.output.find("Resolution: ") != std::string::npos);
        CHECK(info.output.find("unitless") == std::string::npos);
        const auto copied = run_command("tiffcp -c none " + shell_quoted(tiff) + " " +
                                        shell_quoted(scene.folder() / "copy.tif"));
        CHECK(copied.status == 0);
        CHECK(copied.output.empty());

        // Every page by libvips, sizes rounded up, levels by shrinking.
        std::vector<Pixels> pages;
        int64_t w = width;
        int64_t h = height;
        VipsImage* first = vips_image_new_from_file(tiff.c_str(), nullptr);
        REQUIRE(first != nullptr);
        int count = 1;
        if (vips_image_get_typeof(first, "n-pages") != 0)
            vips_image_get_int(first, "n-pages", &count);
        CHECK(vips_image_get_typeof(first, "icc-profile-data") != 0);
        g_object_unref(first);
        for (int i = 0; i < count; ++i) {
            pages.push_back(load(tiff + "[page=" + std::to_string(i) + "]"));
            CHECK(pages.back().width == w);
            CHECK(pages.back().height == h);
            w = (w + 1) / 2;
            h = (h + 1) / 2;
        }
        CHECK(pages.back().width <= v.tile + 15);
        CHECK(pages.back().height <= v.tile + 15);
        for (size_t i = 1; i < pages.size(); ++i) {
            // JPEG's error of both levels at quality 90; measured 1.4 to 4.3, most where waves are
            // a few pixels long.
            INFO("page " << i);
            const double error = shrink_difference(pages[i], pages[i - 1], 0);
            CHECK(error < 5);
            // Read a pixel beside it is worse (measured: at least 1.85 times): the check can tell.
            CHECK(shrink_difference(pages[i], pages[i - 1], 1) > 1.6 * error);
        }

        // Deep-zoom tiles against the same place in the TIFF.
        const int top =
            static_cast<int>(std::ceil(std::log2(static_cast<double>(std::max(width, height)))));
        for (const auto& [name, size] : ours) {
            int level = 0;
            int column = 0;
            int row = 0;
            REQUIRE(std::sscanf(name.c_str(), "%d/%d_%d.jpg", &level, &column, &row) == 3);
            const auto page = static_cast<size_t>(top - level);
            if (page >= pages.size()) continue;
            const Pixels tile = load((out / "pano_files" / name).native());
            const int64_t x = int64_t{column} * v.tile - (column > 0 ? v.overlap : 0);
            const int64_t y = int64_t{row} * v.tile - (row > 0 ? v.overlap : 0);
            const double d = difference(tile, pages[page], x, y, size.first, size.second);
            const bool inner = size.first == v.tile && size.second == v.tile;
            INFO("tile " << name);
            if (v.overlap == 0 && v.tile % 16 == 0) {
                // The very same JPEG data inside; edge tiles are padded in the TIFF, which changes
                // the last block of a row by rounding.
                if (inner) CHECK(d == 0);
                CHECK(d < 2);
            } else {
                CHECK(d < 5);  // two encodings of the same pixels on different grids
            }
        }

        // GDAL lists every page as an overview, and cuts out a region.
        const auto gdal = run_command("gdalinfo " + shell_quoted(tiff));
        INFO(gdal.output);
        CHECK(gdal.status == 0);
        CHECK(gdal.output.find("Size is " + std::to_string(width) + ", " +
                               std::to_string(height)) != std::string::npos);
        for (size_t i = 1; i < pages.size(); ++i) {
            const std::string size =
                std::to_string(pages[i].width) + "x" + std::to_string(pages[i].height);
            INFO(size);
            CHECK(gdal.output.find(size) != std::string::npos);
        }
        const int64_t rx = width / 3;
        const int64_t ry = height / 3;
        const fs::path region = scene.folder() / "region.png";
        const auto cut = run_command("gdal_translate -q -of PNG -srcwin " + std::to_string(rx) +
                                     " " + std::to_string(ry) + " 70 50 " + shell_quoted(tiff) +
                                     " " + shell_quoted(region));
        INFO(cut.output);
        REQUIRE(cut.status == 0);
        const Pixels piece = load(region.native());
        CHECK(piece.width == 70);
        CHECK(piece.height == 50);
        CHECK(difference(piece, pages[0], rx, ry, 70, 50) < 1);
        CHECK(difference(piece, pages[0], rx + 1, ry, 70, 50) > 1);
    }
}

TEST_CASE("the report says what was done", "[pipeline][report]") {
    const SmallScene scene;
    for (const std::string pass : {"full", "draft"}) {
        const ProcessResult r =
            scene.render({"--pass", pass, "--memory", "300M", "--threads", "2"}, pass);
        INFO(r.err);
        REQUIRE(r.status == 0);
        const auto j = nlohmann::json::parse(text_of(scene.out(pass) / "report.json"));
        INFO(j.dump(1));
        CHECK(j["pass"] == pass);
        CHECK(j["frames"] == 6);
        CHECK(j["megapixels"].get<double>() ==
              Approx(j["width"].get<double>() * j["height"].get<double>() / 1e6));
        // Each frame once at least: 300 x 200, or for the draft 150 x 100.
        const double frame = pass == "full" ? 0.06 : 0.015;
        CHECK(j["decoded_megapixels"].get<double>() >= 6 * frame * 0.999);
        CHECK(j["decoded_megapixels"].get<double>() <= 24 * frame);
        CHECK((j["bands"].get<int>() > 0) == (pass == "full"));
        CHECK(j["memory_budget_bytes"] == 300 << 20);
        CHECK(j["peak_memory_bytes"].get<int64_t>() > 10 << 20);
        CHECK(j["peak_memory_bytes"].get<int64_t>() <= j["memory_budget_bytes"].get<int64_t>());
        // What the kernel told this process: more only by what the page and the report took.
        CHECK(j["peak_memory_bytes"].get<int64_t>() <= r.peak_bytes);
        CHECK(j["peak_memory_bytes"].get<int64_t>() >= r.peak_bytes - (8 << 20));
        CHECK(j["threads"] == 2);
        REQUIRE(j["seconds"].is_object());
        const double total = j["seconds"]["total"];
        CHECK(total > 0);
        CHECK(total <= r.seconds);
        double stages = 0;
        for (const auto& [name, value] : j["seconds"].items()) {
            INFO(name);
            CHECK(value.get<double>() >= 0);
            if (name != "total") stages += value.get<double>();
        }
        CHECK(stages > 0);
        CHECK(stages <= 2 * total * 1.05);  // two threads
        CHECK(j["version"].get<std::string>().size() >= 5);
    }
    const auto size = [&](const std::string& pass) {
        const auto j = nlohmann::json::parse(text_of(scene.out(pass) / "report.json"));
        return std::pair<int64_t, int64_t>{j["width"], j["height"]};
    };
    CHECK(size("draft").first == (size("full").first + 1) / 2);
    CHECK(size("draft").second == (size("full").second + 1) / 2);
}
