// Frames of every kind that the reader takes, together in one scene.
#include <catch2/catch.hpp>

#include "support/frame_files.hpp"
#include "support/read_back.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;

namespace {

/// Where a stored sample stands in the upright picture of w x h, by the meaning of Exif's
/// Orientation (Exif 2.3, 4.6.4 A: which side of the visual picture the first row and the first
/// column are).
std::pair<int, int> upright_place(int orientation, int column, int row, int w, int h) {
    switch (orientation) {
        case 2:
            return {w - 1 - column, row};
        case 3:
            return {w - 1 - column, h - 1 - row};
        case 4:
            return {column, h - 1 - row};
        case 5:
            return {row, column};
        case 6:
            return {w - 1 - row, column};
        case 7:
            return {w - 1 - row, h - 1 - column};
        case 8:
            return {row, h - 1 - column};
        default:
            return {column, row};
    }
}

Picture<uint8_t> stored(const Picture<uint8_t>& upright, int orientation) {
    Picture<uint8_t> p;
    p.bands = upright.bands;
    p.width = orientation >= 5 ? upright.height : upright.width;
    p.height = orientation >= 5 ? upright.width : upright.height;
    for (int row = 0; row < p.height; ++row) {
        for (int column = 0; column < p.width; ++column) {
            const auto [x, y] =
                upright_place(orientation, column, row, upright.width, upright.height);
            for (int b = 0; b < p.bands; ++b) p.samples.push_back(upright.at(x, y, b));
        }
    }
    return p;
}

}  // namespace

TEST_CASE("frames of all kinds together give the picture of plain ones", "[pipeline][frames]") {
    SmallScene scene(5, 3);
    SmallScene plain(5, 3);
    // Smooth colours, different in every corner, so that JPEG's error stays small and a wrong
    // orientation is seen.
    const auto picture = [](size_t number, bool grey) {
        Picture<uint8_t> p{300, 200, 3, {}};
        for (int y = 0; y < 200; ++y) {
            for (int x = 0; x < 300; ++x) {
                const int a = 40 + x * 150 / 300;
                const int b = 40 + y * 150 / 200;
                const int c = 60 + static_cast<int>(number) * 10;
                p.samples.push_back(static_cast<uint8_t>(grey ? a : a));
                p.samples.push_back(static_cast<uint8_t>(grey ? a : b));
                p.samples.push_back(static_cast<uint8_t>(grey ? a : c));
            }
        }
        return p;
    };
    const std::vector<std::string> kinds{"png8", "png16",       "tiff8", "tiff16", "grey",
                                         "444",  "progressive", "1",     "2",      "3",
                                         "4",    "5",           "6",     "7",      "8"};
    for (size_t i = 0; i < kinds.size(); ++i) {
        const std::string& kind = kinds[i];
        const bool grey = kind == "grey";
        const Picture<uint8_t> p = picture(i, grey);
        std::string name = "frames/" + kind;
        const auto save = [&](VipsImage* image, const std::string& suffix) {
            name += suffix;
            save_vips(image, (scene.folder() / name).native());
        };
        Picture<uint16_t> deep{300, 200, 3, {}};
        for (const uint8_t s : p.samples) deep.samples.push_back(static_cast<uint16_t>(s * 257));
        if (kind == "png8") {
            save(to_vips(p, VIPS_INTERPRETATION_sRGB), ".png");
        } else if (kind == "tiff8") {
            save(to_vips(p, VIPS_INTERPRETATION_sRGB), ".tif");
        } else if (kind == "png16" || kind == "tiff16") {
            save(to_vips(deep, VIPS_INTERPRETATION_RGB16), kind == "png16" ? ".png" : ".tif");
        } else {
            name += ".jpg";
            JpegOptions options{.factors = {{2, 2}, {1, 1}, {1, 1}}, .quality = 97};
            Picture<uint8_t> stored_picture = p;
            if (grey) {
                options.stored = JCS_GRAYSCALE;
                options.factors = {};
                stored_picture = {300, 200, 1, {}};
                for (size_t s = 0; s < p.samples.size(); s += 3)
                    stored_picture.samples.push_back(p.samples[s]);
            } else if (kind == "444") {
                options.factors = {};
            } else if (kind == "progressive") {
                options.progressive = true;
            } else {
                const int orientation = std::stoi(kind);
                options.segments = {
                    {JPEG_APP0 + 1, exif_orientation(orientation, orientation % 2 == 0)}};
                stored_picture = stored(p, orientation);
            }
            write_bytes(scene.folder() / name, write_jpeg(stored_picture, options));
        }
        scene.json["frames"][i]["file"] = name;
        const std::string plain_name = "frames/plain" + std::to_string(i) + ".png";
        save_vips(to_vips(p, VIPS_INTERPRETATION_sRGB), (plain.folder() / plain_name).native());
        plain.json["frames"][i]["file"] = plain_name;
    }
    // Neighbours show unlike pictures: nothing is to be decided by what they have in common.
    const std::vector<std::string> as{"--quality",   "98",    "--chroma",      "444",
                                      "--tiff-bits", "8",     "--seams",       "simple",
                                      "--light",     "as-is", "--shift-limit", "0"};
    for (const std::string out : {"full", "draft"}) {
        std::vector<std::string> options = as;
        options.insert(options.end(), {"--pass", out});
        const ProcessResult r = scene.render(options, out);
        INFO(r.err);
        REQUIRE(r.status == 0);
        REQUIRE(plain.render(options, out).status == 0);
        const Pixels mixed = load((scene.out(out) / "pano.tif").native());
        const Pixels expected = load((plain.out(out) / "pano.tif").native());
        REQUIRE(mixed.width == expected.width);
        REQUIRE(mixed.height == expected.height);
        // The frames' own JPEG error at quality 97 on smooth content is about a level.
        CHECK(difference(mixed, expected, 0, 0, mixed.width, mixed.height) < 1);
    }
    // One frame turned the wrong way is seen.
    Picture<uint8_t> p = picture(7, false);
    JpegOptions options{.factors = {{2, 2}, {1, 1}, {1, 1}}, .quality = 97};
    options.segments = {{JPEG_APP0 + 1, exif_orientation(3, false)}};
    write_bytes(scene.frame(7), write_jpeg(p, options));
    REQUIRE(scene.render(as, "wrong").status == 0);
    const Pixels wrong = load((scene.out("wrong") / "pano.tif").native());
    const Pixels expected = load((plain.out("full") / "pano.tif").native());
    CHECK(difference(wrong, expected, 0, 0, wrong.width, wrong.height) > 1);
    // The scene's word goes before the file's.
    scene.json["frames"][7]["orientation"] = 1;
    REQUIRE(scene.render(as, "right").status == 0);
    const Pixels right = load((scene.out("right") / "pano.tif").native());
    CHECK(difference(right, expected, 0, 0, right.width, right.height) < 1);
}
