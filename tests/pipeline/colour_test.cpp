// Frames of all kinds of colour profiles, rendered where the picture is the frame itself, against
// Little CMS through libvips; outputs of wider colour spaces.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <functional>
#include <random>

#include "broadloom/photometry.hpp"
#include "broadloom/render.hpp"
#include "io/frame_reader.hpp"
#include "io/output_profiles.hpp"
#include "support/frame_files.hpp"
#include "support/made_up_profiles.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

constexpr int kPatch = 32;
constexpr int kInner = 8;  // away from the neighbours' colours: the kernel's and the bands' reach
constexpr double kFocal = 1e6;  // pixels: the canvas is the frame, within a millionth of a pixel
constexpr double kPerDegree = kFocal * 3.14159265358979323846 / 180;

using Samples = std::vector<double>;  ///< R, G, B, 0..1 encoded, row by row

struct Image {
    int width = 0, height = 0;
    Samples rgb;
    [[nodiscard]] double at(int x, int y, int c) const {
        return rgb[static_cast<size_t>(3 * (y * width + x) + c)];
    }
};

/// 24 patches, 8 x 3, and a row of ramps: grey, red, green, blue in steps.
Image chart(const std::function<std::array<double, 3>(int)>& patch) {
    Image image{8 * kPatch, 4 * kPatch, {}};
    for (int y = 0; y < image.height; ++y) {
        for (int x = 0; x < image.width; ++x) {
            const int row = y / kPatch;
            std::array<double, 3> colour{};
            if (row < 3) {
                colour = patch(row * 8 + x / kPatch);
            } else {
                const double v = (x / kPatch + 0.5) / 8;
                const int kind = y % kPatch / (kPatch / 4);
                for (int c = 0; c < 3; ++c) {
                    colour[static_cast<size_t>(c)] = kind == 0 || kind == c + 1 ? v : 0.25;
                }
            }
            image.rgb.insert(image.rgb.end(), colour.begin(), colour.end());
        }
    }
    return image;
}

/// Invented colours all over the cube; the corners among them.
std::array<double, 3> patch_colour(int i) {
    if (i < 8) return {double(i & 1), double(i >> 1 & 1), double(i >> 2 & 1)};
    std::mt19937 random(static_cast<uint32_t>(i));
    const auto level = [&] { return static_cast<double>(random() % 256) / 255; };
    const double r = level();
    const double g = level();
    return {r, g, level()};
}

/// Colours that a matrix keeps well inside every space here.
std::array<double, 3> mild_colour(int i) {
    auto colour = patch_colour(i + 8);
    for (double& v : colour) v = 0.35 + 0.3 * v;
    return colour;
}

/// The pixels away from the edges of the patches.
void each_inner(const Image& image, const std::function<void(int, int)>& visit) {
    for (int y = 0; y < 3 * kPatch; ++y) {
        for (int x = 0; x < image.width; ++x) {
            const auto inside = [](int v) {
                return v % kPatch >= kInner && v % kPatch < kPatch - kInner;
            };
            if (inside(x) && inside(y)) visit(x, y);
        }
    }
}

/// Largest difference inside the patches, levels of 8 bits.
double most_inside(const Image& a, const Image& b) {
    REQUIRE(a.width == b.width);
    REQUIRE(a.height == b.height);
    double most = 0;
    each_inner(a, [&](int x, int y) {
        for (int c = 0; c < 3; ++c) {
            most = std::max(most, 255 * std::abs(a.at(x, y, c) - b.at(x, y, c)));
        }
    });
    return most;
}

struct Unref {
    void operator()(VipsImage* image) const { g_object_unref(image); }
};
using Vips = std::unique_ptr<VipsImage, Unref>;

template <typename T>
Vips to_image(const Image& image, int bands) {
    Picture<T> p{image.width, image.height, bands, {}};
    const double most = sizeof(T) == 1 ? 255 : 65535;
    for (size_t i = 0; i < image.rgb.size(); i += bands == 1 ? 3 : 1) {
        p.samples.push_back(static_cast<T>(std::lround(std::clamp(image.rgb[i], 0.0, 1.0) * most)));
    }
    const bool deep = sizeof(T) == 2;
    return Vips(to_vips(p, bands == 1
                               ? (deep ? VIPS_INTERPRETATION_GREY16 : VIPS_INTERPRETATION_B_W)
                               : (deep ? VIPS_INTERPRETATION_RGB16 : VIPS_INTERPRETATION_sRGB)));
}

Image from_image(VipsImage* image) {
    Image out{image->Xsize, image->Ysize, {}};
    size_t size = 0;
    void* data = vips_image_write_to_memory(image, &size);
    REQUIRE(data != nullptr);
    const bool deep = image->BandFmt == VIPS_FORMAT_USHORT;
    const size_t pixels = static_cast<size_t>(out.width) * static_cast<size_t>(out.height);
    const auto bands = static_cast<size_t>(image->Bands);
    for (size_t i = 0; i < pixels; ++i) {
        for (size_t c = 0; c < 3; ++c) {
            const size_t at = i * bands + (bands < 3 ? 0 : c);
            out.rgb.push_back(deep ? static_cast<const uint16_t*>(data)[at] / 65535.0
                                   : static_cast<const uint8_t*>(data)[at] / 255.0);
        }
    }
    g_free(data);
    return out;
}

/// Writes a frame with an embedded profile (empty: none).
void write_frame(const std::filesystem::path& path, VipsImage* image, const IccBytes& icc) {
    if (!icc.empty()) {
        vips_image_set_blob_copy(image, VIPS_META_ICC_NAME, icc.data(), icc.size());
    }
    if (vips_image_write_to_file(image, path.c_str(), nullptr) != 0) {
        throw std::runtime_error(vips_error_buffer());
    }
}

/// By libvips, from the profile that a file carries to another (a file's name, or libvips' own
/// "srgb"), 8 or 16 bits.
Image by_vips(const std::filesystem::path& file, const std::string& to, int depth) {
    VipsImage* in = vips_image_new_from_file(file.c_str(), nullptr);
    REQUIRE(in != nullptr);
    VipsImage* out = nullptr;
    if (vips_icc_transform(in, &out, to.c_str(), "embedded", TRUE, "intent", VIPS_INTENT_RELATIVE,
                           "depth", depth, nullptr) != 0) {
        throw std::runtime_error(vips_error_buffer());
    }
    g_object_unref(in);
    const Vips held(out);
    return from_image(out);
}

/// From one profile to another by Little CMS alone, in floating point: its 16-bit transforms, which
/// libvips takes for 16 bits, go through a table of 33 nodes and are off by up to 3 levels here.
Image by_lcms(const Image& in, const IccBytes& from_icc, const IccBytes& to_icc) {
    const LcmsProfile from(
        cmsOpenProfileFromMem(from_icc.data(), static_cast<cmsUInt32Number>(from_icc.size())));
    const LcmsProfile to(
        cmsOpenProfileFromMem(to_icc.data(), static_cast<cmsUInt32Number>(to_icc.size())));
    cmsHTRANSFORM transform = cmsCreateTransform(from.get(), TYPE_RGB_DBL, to.get(), TYPE_RGB_DBL,
                                                 INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    REQUIRE(transform != nullptr);
    Image out = in;
    cmsDoTransform(transform, in.rgb.data(), out.rgb.data(),
                   static_cast<cmsUInt32Number>(in.rgb.size() / 3));
    cmsDeleteTransform(transform);
    for (double& v : out.rgb) v = std::clamp(v, 0.0, 1.0);  // what a file would hold
    return out;
}

IccBytes lcms_srgb() {
    const LcmsProfile profile(cmsCreate_sRGBProfile());
    return saved(profile.get());
}

Image by_vips_from(const std::filesystem::path& file) {
    const Vips held(vips_image_new_from_file(file.c_str(), nullptr));
    REQUIRE(held != nullptr);
    return from_image(held.get());
}

/// Frames side by side, `step` pixels from one to the next, all of one size.
Scene scene_of(const std::vector<std::filesystem::path>& files, int width, int height, int step) {
    Scene scene;
    Camera camera;
    camera.width = width;
    camera.height = height;
    camera.focal_px = kFocal;
    scene.cameras["main"] = camera;
    const int whole = width + step * static_cast<int>(files.size() - 1);
    scene.canvas.surface = Surface::cylinder;
    scene.canvas.pixels_per_degree = kPerDegree;
    scene.canvas.left_deg = -0.5 * width / kPerDegree;
    scene.canvas.right_deg = (whole - 0.5 * width) / kPerDegree;
    scene.canvas.top_deg = 0.5 * height / kPerDegree;
    scene.canvas.bottom_deg = -0.5 * height / kPerDegree;
    for (size_t i = 0; i < files.size(); ++i) {
        Frame frame;
        frame.file = files[i].native();
        frame.camera = "main";
        frame.yaw_deg = static_cast<double>(i) * step / kPerDegree;
        frame.pitch_deg = 0;
        scene.frames.push_back(frame);
    }
    return scene;
}

struct Rendered {
    std::filesystem::path folder;
    std::vector<std::string> notes;
    [[nodiscard]] std::filesystem::path tiff() const { return folder / "pano.tif"; }
};

class Studio {
  public:
    Rendered render(const Scene& scene, OutputColour colour = OutputColour::srgb) {
        RenderOptions options;
        options.out = folder_ / ("out" + std::to_string(count_++));
        options.memory_bytes = int64_t{1} << 30;
        options.threads = 1;
        options.quality = 100;
        options.chroma = Chroma::c444;
        options.tiff_bits = 16;
        options.colour = colour;
        options.shift_limit_px = 0;
        options.even_light = false;
        Rendered r{options.out, {}};
        RenderHooks hooks;
        hooks.planned = [&](const RenderPlan& plan) { r.notes = plan.notes; };
        broadloom::render(scene, options, hooks);
        return r;
    }
    [[nodiscard]] std::filesystem::path operator/(const std::string& name) const {
        return folder_ / name;
    }

  private:
    Folder folder_;
    int count_ = 0;
};

bool told(const Rendered& r, const std::string& text) {
    return std::any_of(r.notes.begin(), r.notes.end(), [&](const std::string& note) {
        return note.find(text) != std::string::npos;
    });
}

struct Kind {
    const char* name;
    IccBytes icc;
};

std::vector<Kind> invertible_kinds() {
    return {{"none", {}},
            {"srgb", matrix_profile(kSrgbXy, 0, "sRGB", 2.4)},
            {"adobe", matrix_profile(kAdobeXy, 563.0 / 256, "Adobe like")},
            {"p3", matrix_profile(kP3Xy, 0, "P3 like")},
            {"wide", matrix_profile(kRommXy, 1.8, "Wide, gamma 1.8")},
            {"swapped", swapped_profile("sRGB")}};
}

}  // namespace

TEST_CASE("a chart comes out as libvips converts it, whatever its profile", "[colour][pipeline]") {
    start_frame_library();
    Studio studio;
    std::vector<Kind> kinds = invertible_kinds();
    kinds.push_back({"table", table_profile()});
    kinds.push_back({"grey", grey_profile(1.8)});
    const Image all = chart(patch_colour);
    // Little CMS puts a table of 33 nodes between an 8-bit table profile and sRGB, which costs more
    // than a level where a channel comes near 0; against its exact way all colours are compared in
    // colour_profile_test.
    const Image inner = chart([](int i) {
        auto colour = patch_colour(i + 8);
        for (double& v : colour) v = 0.4 + 0.15 * v;
        return colour;
    });
    for (const Kind& kind : kinds) {
        CAPTURE(kind.name);
        const std::string name = kind.name;
        const Image& source = name == "table" ? inner : all;
        const auto file = studio / (name + (name == "p3" ? ".tif" : ".png"));
        write_frame(file, to_image<uint8_t>(source, name == "grey" ? 1 : 3).get(), kind.icc);
        const Rendered r = studio.render(scene_of({file}, source.width, source.height, 0));
        const Image found = by_vips_from(r.tiff());
        const Image raw = by_vips_from(file);
        const bool as_it_is = name == "none" || name == "srgb";
        const Image expected = as_it_is ? raw : by_vips(file, "srgb", 16);
        CHECK(most_inside(found, expected) <= 1);
        // Control: without the conversion it is another picture.
        CHECK((most_inside(found, raw) > 5) == !as_it_is);
        CHECK(told(r, "converted") == !as_it_is);
        CHECK_FALSE(told(r, "read as sRGB"));
    }
}

TEST_CASE("a JPEG's profile in pieces is honoured, a damaged one told", "[colour][pipeline]") {
    start_frame_library();
    Studio studio;
    const Image source = chart(mild_colour);
    Picture<uint8_t> picture{source.width, source.height, 3, {}};
    for (const double v : source.rgb) {
        picture.samples.push_back(static_cast<uint8_t>(std::lround(255 * v)));
    }
    // ICC.1:2010, annex B.4: pieces are numbered from 1 and say how many there are.
    const IccBytes icc = swapped_profile();
    JpegOptions options{.factors = {}, .quality = 100};
    for (size_t part = 0; part < 2; ++part) {
        Bytes segment{'I', 'C', 'C', '_', 'P', 'R', 'O', 'F', 'I', 'L', 'E', 0, 0, 2};
        segment[12] = static_cast<uint8_t>(part + 1);
        const size_t half = icc.size() / 2;
        segment.insert(segment.end(), icc.begin() + static_cast<std::ptrdiff_t>(part * half),
                       part == 0 ? icc.begin() + static_cast<std::ptrdiff_t>(half) : icc.end());
        options.segments.emplace_back(0xE2, segment);
    }
    write_bytes(studio / "a.jpg", write_jpeg(picture, options));
    REQUIRE(probe_frame(studio / "a.jpg", "a").icc != nullptr);
    CHECK(*probe_frame(studio / "a.jpg", "a").icc == icc);
    const Scene scene = scene_of({studio / "a.jpg"}, source.width, source.height, 0);
    const Rendered r = studio.render(scene);
    const Image found = by_vips_from(r.tiff());
    Image exchanged = source;
    for (size_t i = 0; i < exchanged.rgb.size(); i += 3) {
        std::swap(exchanged.rgb[i], exchanged.rgb[i + 2]);
    }
    CHECK(most_inside(found, exchanged) < 3);  // JPEG at quality 100
    CHECK(most_inside(found, source) > 20);

    options.segments[0].second.resize(200);
    write_bytes(studio / "b.jpg", write_jpeg(picture, options));
    const Rendered damaged =
        studio.render(scene_of({studio / "b.jpg"}, source.width, source.height, 0));
    CHECK(told(damaged, "cannot be used"));
    CHECK(told(damaged, "read as sRGB"));
    CHECK(most_inside(by_vips_from(damaged.tiff()), source) < 3);
}

TEST_CASE("frames of different profiles in one scene make one picture", "[colour][pipeline]") {
    start_frame_library();
    Studio studio;
    const std::vector<Kind> kinds = invertible_kinds();
    // The world is wider than a frame; each frame is 3 patches wide and shows a patch further on.
    const Image world = chart(mild_colour);
    constexpr int kWidth = 3 * kPatch;
    const auto piece = [&](const Image& image, size_t i) {
        Image out{kWidth, image.height, {}};
        for (int y = 0; y < image.height; ++y) {
            for (int x = 0; x < kWidth; ++x) {
                for (int c = 0; c < 3; ++c) {
                    out.rgb.push_back(image.at(static_cast<int>(i) * kPatch + x, y, c));
                }
            }
        }
        return out;
    };
    std::vector<std::filesystem::path> files;
    std::vector<std::filesystem::path> bare;
    for (size_t i = 0; i < kinds.size(); ++i) {
        const Image values = kinds[i].icc.empty()
                                 ? piece(world, i)
                                 : by_lcms(piece(world, i), lcms_srgb(), kinds[i].icc);
        files.push_back(studio / (std::string(kinds[i].name) + ".tif"));
        write_frame(files.back(), to_image<uint16_t>(values, 3).get(), kinds[i].icc);
        bare.push_back(studio / (std::string(kinds[i].name) + "_bare.tif"));
        write_frame(bare.back(), to_image<uint16_t>(values, 3).get(), {});
    }
    const Rendered r = studio.render(scene_of(files, kWidth, world.height, kPatch));
    const Image found = by_vips_from(r.tiff());
    CHECK(most_inside(found, world) < 1);
    CHECK(told(r, "1 frame carries the colour profile \"Adobe like\"; it is converted"));
    // Control: without their profiles the frames differ.
    const Rendered without = studio.render(scene_of(bare, kWidth, world.height, kPatch));
    CHECK(most_inside(by_vips_from(without.tiff()), world) > 20);
}

TEST_CASE("gains act on a frame's light before its profile", "[colour][pipeline]") {
    start_frame_library();
    Studio studio;
    const Image source = chart(mild_colour);
    const IccBytes icc = matrix_profile(kAdobeXy, 563.0 / 256, "Adobe like");
    const std::array<double, 3> gain{1.25, 0.9, 1.1};
    Image lit = source;  // the same, done by hand in the frame's own primaries and curve
    for (size_t i = 0; i < lit.rgb.size(); ++i) {
        lit.rgb[i] = std::pow(std::pow(lit.rgb[i], 563.0 / 256) * gain[i % 3], 256.0 / 563);
    }
    write_frame(studio / "plain.tif", to_image<uint16_t>(source, 3).get(), icc);
    Scene scene = scene_of({studio / "plain.tif"}, source.width, source.height, 0);
    scene.frames[0].gain = gain;
    const Image found = by_vips_from(studio.render(scene).tiff());
    CHECK(most_inside(found, by_lcms(lit, icc, lcms_srgb())) < 0.1);
    CHECK(most_inside(found, by_lcms(source, icc, lcms_srgb())) > 5);
}

TEST_CASE("wider outputs carry their profile, agree with sRGB inside it and keep what is outside",
          "[colour][pipeline]") {
    start_frame_library();
    Studio studio;
    const Image mild = chart(mild_colour);
    const IccBytes adobe = matrix_profile(kAdobeXy, 563.0 / 256, "Adobe like");
    write_frame(studio / "mild.tif", to_image<uint16_t>(mild, 3).get(), adobe);
    // Greens and cyans of full strength, which sRGB has not.
    const Image strong = chart([](int i) {
        return std::array<double, 3>{0.02 * (i % 8), 0.6 + 0.05 * (i % 8), i < 12 ? 0.05 : 0.55};
    });
    write_frame(studio / "strong.tif", to_image<uint16_t>(strong, 3).get(), adobe);
    const Scene mild_scene = scene_of({studio / "mild.tif"}, mild.width, mild.height, 0);
    const Scene strong_scene = scene_of({studio / "strong.tif"}, mild.width, mild.height, 0);
    const Rendered srgb = studio.render(mild_scene);
    const Image srgb_picture = by_vips_from(srgb.tiff());
    const std::pair<OutputColour, ColourSpace> outputs[] = {
        {OutputColour::display_p3, ColourSpace::display_p3},
        {OutputColour::adobe_rgb, ColourSpace::adobe_rgb}};
    for (const auto& [colour, space] : outputs) {
        CAPTURE(static_cast<int>(space));
        const Rendered wide = studio.render(mild_scene, colour);
        const Vips image(vips_image_new_from_file(wide.tiff().c_str(), nullptr));
        REQUIRE(image != nullptr);
        const void* data = nullptr;
        size_t bytes = 0;
        REQUIRE(vips_image_get_blob(image.get(), VIPS_META_ICC_NAME, &data, &bytes) == 0);
        const auto* first = static_cast<const uint8_t*>(data);
        CHECK(std::vector<uint8_t>(first, first + bytes) == output_profile(space));
        const IccBytes own(first, first + bytes);
        CHECK(most_inside(by_lcms(by_vips_from(wide.tiff()), own, lcms_srgb()), srgb_picture) <
              0.2);
        CHECK(most_inside(by_vips_from(wide.tiff()), srgb_picture) > 5);  // control

        // Tiles are sRGB: those of the sRGB render, but for dither and JPEG at quality 100.
        const auto tile = [](const Rendered& r) {
            return by_vips_from(r.folder / "pano_files" / "8" / "0_0.jpg");
        };
        CHECK(most_inside(tile(wide), tile(srgb)) <= 3);
        CHECK(most_inside(tile(wide), by_vips_from(wide.tiff())) > 5);
    }
    // What goes in as Adobe RGB comes out as it, and does not survive sRGB.
    const Image kept = by_vips_from(studio.render(strong_scene, OutputColour::adobe_rgb).tiff());
    // A channel of 0 shows the last digit of the profiles' primaries: Adobe RGB's curve is upright
    // there.
    CHECK(most_inside(kept, strong) < 1);
    const Image cut = by_vips_from(studio.render(strong_scene).tiff());
    CHECK(most_inside(by_lcms(cut, lcms_srgb(), adobe), strong) > 20);
}
