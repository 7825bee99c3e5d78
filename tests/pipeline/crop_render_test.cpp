// Crops and masks through the whole renderer: the same tiles as the whole canvas, no bare pixel
// inside, nothing of what is left out, and what the plan says about it.
#include <vips/vips.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <map>

#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "support/memory_frames.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::file_bytes;
using broadloom::testing::ScratchFolder;
using Catch::Matchers::Contains;

namespace {

/// The largest level's tiles by column and row.
using Tiles = std::map<std::pair<int64_t, int64_t>, std::vector<uint8_t>>;

std::filesystem::path largest_level(const std::filesystem::path& out) {
    int top = -1;
    for (const auto& entry : std::filesystem::directory_iterator(out / "pano_files")) {
        top = std::max(top, std::stoi(entry.path().filename().string()));
    }
    return out / "pano_files" / std::to_string(top);
}

Tiles tiles_of(const std::filesystem::path& out) {
    Tiles tiles;
    for (const auto& entry : std::filesystem::directory_iterator(largest_level(out))) {
        const std::string name = entry.path().stem().string();
        const size_t bar = name.find('_');
        tiles[{std::stoll(name.substr(0, bar)), std::stoll(name.substr(bar + 1))}] =
            file_bytes(entry.path());
    }
    return tiles;
}

Picture waves(int64_t width, int64_t height) {
    Picture p;
    p.width = width;
    p.height = height;
    Dice dice(5);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            const double angle = 2 * kPi * static_cast<double>(x) / static_cast<double>(width);
            for (int c = 0; c < 3; ++c) {
                // Never near magenta: green stays above 60 and blue below 190.
                const double v = 125 + 40 * std::sin(17 * angle + c) +
                                 15 * std::cos(0.07 * static_cast<double>(y)) + dice.between(-8, 8);
                p.rgb.push_back(static_cast<uint8_t>(std::clamp(v, 60.0, 190.0)));
            }
        }
    }
    return p;
}

Scene flat_scene(const ScratchFolder& folder) {
    const Canvas canvas = canvas_between(Surface::sphere, -31, 31.4, 16, -15.2, 20);
    ShootOptions o;
    o.rows = 2;
    o.columns = 3;
    o.width = 510;
    o.height = 400;
    o.gain_spread = 0.2;
    o.aim_error_deg = 0.3;
    o.roll_error_deg = 2;
    return shoot(waves(canvas.width, canvas.height), canvas, o, folder.path());
}

Scene round_scene(const ScratchFolder& folder) {
    const Canvas canvas = canvas_around(Surface::cylinder, -180, 40, -38, 1536);
    ShootOptions o;
    o.surface = Surface::cylinder;
    o.rows = 1;
    o.columns = 8;
    o.width = 420;
    o.height = 520;
    o.overlap = 0.3;
    return shoot(waves(canvas.width, canvas.height), canvas, o, folder.path());
}

RenderOptions usual(const ScratchFolder& folder, const std::string& name) {
    RenderOptions o;
    o.out = folder / name;
    o.tile = 128;
    o.threads = 2;
    o.bands = 4;
    o.memory_bytes = int64_t{1} << 30;
    return o;
}

RenderOptions with_crop(RenderOptions o, Crop::Kind kind, double left, double top, double right,
                        double bottom) {
    o.crop = {kind, left, top, right, bottom};
    return o;
}

/// Pixels of the largest level in which green lies far below red and blue: magenta.
int64_t magenta_pixels(const std::filesystem::path& out) {
    int64_t count = 0;
    for (const auto& entry : std::filesystem::directory_iterator(largest_level(out))) {
        const Picture p = load_picture(entry.path());
        for (size_t i = 0; i < p.rgb.size(); i += 3) {
            count += p.rgb[i] > p.rgb[i + 1] + 120 && p.rgb[i + 2] > p.rgb[i + 1] + 120;
        }
    }
    return count;
}

bool any_note(const RenderPlan& plan, const std::string& part) {
    return std::any_of(plan.notes.begin(), plan.notes.end(), [&](const std::string& note) {
        return note.find(part) != std::string::npos;
    });
}

}  // namespace

TEST_CASE("a crop has the very tiles of the whole canvas", "[crop][exact]") {
    const ScratchFolder folder;
    struct Case {
        bool round;
        int64_t left, top, columns, rows;  // tiles
    };
    for (const Case& c : {Case{false, 3, 1, 5, 3}, Case{true, 10, 1, 5, 2}}) {
        std::filesystem::remove_all(folder / "frames");
        const Scene scene = c.round ? round_scene(folder) : flat_scene(folder);
        const std::string name = c.round ? "round" : "flat";
        RenderOptions o = usual(folder, name);
        render(scene, o);
        const Tiles whole = tiles_of(o.out);
        const RenderOptions cut = with_crop(
            usual(folder, name + " cut"), Crop::Kind::pixels, static_cast<double>(c.left * 128),
            static_cast<double>(c.top * 128), static_cast<double>((c.left + c.columns) * 128),
            static_cast<double>((c.top + c.rows) * 128));
        const RenderReport report = render(scene, cut);
        CHECK(report.width == c.columns * 128);
        CHECK(report.height == c.rows * 128);
        const Tiles part = tiles_of(cut.out);
        REQUIRE(part.size() == static_cast<size_t>(c.columns * c.rows));
        const int64_t round = 1536 / 128;
        int64_t same = 0;
        int64_t same_beside = 0;
        for (const auto& [at, bytes] : part) {
            int64_t column = at.first + c.left;
            if (c.round) column %= round;
            same += whole.at({column, at.second + c.top}) == bytes;
            same_beside +=
                whole.at({c.round ? (column + 1) % round : column - 1, at.second + c.top}) == bytes;
        }
        INFO(name);
        CHECK(same == c.columns * c.rows);
        CHECK(same_beside == 0);
    }
}

TEST_CASE("the inner crop holds no bare pixel", "[crop][inside]") {
    const ScratchFolder folder;
    const Scene scene = flat_scene(folder);
    RenderOptions whole = usual(folder, "whole");
    whole.background = {255, 0, 255};
    whole.seams = Seams::simple;
    whole.shift_limit_px = 0;
    whole.even_light = false;
    render(scene, whole);
    CHECK(magenta_pixels(whole.out) > 5000);  // negative control
    int64_t area = 0;
    for (const double shift : {6.0, 0.0}) {
        RenderOptions o = usual(folder, "inside" + std::to_string(static_cast<int>(shift)));
        o.background = {255, 0, 255};
        o.crop.kind = Crop::Kind::inside;
        o.shift_limit_px = shift;
        const RenderPlan plan = plan_render(scene, o);
        CHECK(any_note(plan, "--crop: "));
        CHECK(any_note(plan, "small shifts") == (shift > 0));
        CHECK(plan.canvas.width * plan.canvas.height > area);  // less is given up for no shift
        area = plan.canvas.width * plan.canvas.height;
        if (shift == 0) continue;
        const RenderReport report = render(scene, o);
        CHECK(report.width == plan.canvas.width);
        CHECK(report.height == plan.canvas.height);
        CHECK(magenta_pixels(o.out) == 0);
    }
}

TEST_CASE("what is left out has no influence on any byte of the result", "[masks]") {
    const ScratchFolder folder;
    Scene scene = flat_scene(folder);
    // Frame 4 (the middle of the lower row) without a disk that reaches into its neighbours.
    const size_t f = 4;
    const Camera& camera = scene.cameras.begin()->second;
    const Vec2 centre{static_cast<double>(camera.width) * 0.7,
                      static_cast<double>(camera.height) * 0.35};
    const double radius = 80;
    FrameMask mask;
    for (int i = 0; i < 90; ++i) {
        const double angle = 2 * kPi * i / 90;
        mask.outline_px.push_back(
            {centre.x + radius * std::cos(angle), centre.y + radius * std::sin(angle)});
    }
    // Both frames are written without loss, so that nothing leaks through their compression; the
    // second one is painted magenta up to five pixels inside the outline: the resampling kernel
    // reaches three either way, 4.3 across.
    const Picture clean = load_picture(scene.path_of(scene.frames[f]));
    Picture painted = clean;
    for (int64_t y = 0; y < clean.height; ++y) {
        for (int64_t x = 0; x < clean.width; ++x) {
            const double r = std::hypot(static_cast<double>(x) + 0.5 - centre.x,
                                        static_cast<double>(y) + 0.5 - centre.y);
            if (r > radius * std::cos(kPi / 90) - 5) continue;
            uint8_t* p = &painted.rgb[static_cast<size_t>(3 * (y * clean.width + x))];
            p[0] = 255, p[1] = 0, p[2] = 255;
        }
    }
    const auto write = [&](const Picture& p, const std::string& name) {
        VipsImage* image =
            vips_image_new_from_memory_copy(p.rgb.data(), p.rgb.size(), static_cast<int>(p.width),
                                            static_cast<int>(p.height), 3, VIPS_FORMAT_UCHAR);
        REQUIRE(image != nullptr);
        VipsImage* srgb = nullptr;
        REQUIRE(vips_copy(image, &srgb, "interpretation", VIPS_INTERPRETATION_sRGB, nullptr) == 0);
        REQUIRE(vips_image_write_to_file(srgb, (folder / name).c_str(), nullptr) == 0);
        g_object_unref(srgb);
        g_object_unref(image);
    };
    write(clean, "clean.png");
    write(painted, "painted.png");
    const auto run = [&](const std::string& file, bool masked) {
        Scene s = scene;
        s.frames[f].file = (folder / file).string();
        if (masked) s.frames[f].masks = {mask};
        const RenderOptions o = usual(folder, file + (masked ? " masked" : " open"));
        render(s, o);
        return tiles_of(o.out);
    };
    const Tiles a = run("clean.png", true);
    const Tiles b = run("painted.png", true);
    CHECK((a == b));  // too long to print
    CHECK(magenta_pixels(folder / "painted.png masked") == 0);
    // Negative control: without the mask the paint shows.
    CHECK_FALSE((run("painted.png", false) == a));
    CHECK(magenta_pixels(folder / "painted.png open") > 2000);
}

TEST_CASE("the plan tells what masks leave bare", "[masks][gaps]") {
    const ScratchFolder folder;
    Scene scene = flat_scene(folder);
    const RenderOptions o = usual(folder, "out");
    CHECK(plan_render(scene, o).mask_gap_pixels == 0);
    CHECK_FALSE(any_note(plan_render(scene, o), "masks leave"));
    FrameMask mask;  // a corner that no other frame shows
    mask.outline_px = {{0, 0}, {120, 0}, {120, 110}, {0, 110}};
    scene.frames[0].masks = {mask};
    const RenderPlan plan = plan_render(scene, o);
    CHECK(plan.mask_gap_pixels > 5000);
    CHECK(any_note(plan, "masks leave " + std::to_string(plan.mask_gap_pixels) +
                             " pixels bare around longitude -"));
    CHECK(any_note(plan, "frame " + scene.frames[0].file + " shows the place; make the masks"));
    CHECK_FALSE(any_note(plan, scene.frames[1].file));
    // Outside a crop they do not matter.
    const RenderPlan cut = plan_render(scene, with_crop(o, Crop::Kind::degrees, 0, 5, 20, -5));
    CHECK(cut.mask_gap_pixels == 0);
    // The inner crop goes round them.
    RenderOptions inside = o;
    inside.crop.kind = Crop::Kind::inside;
    CHECK(plan_render(scene, inside).mask_gap_pixels == 0);
}

TEST_CASE("crops that cannot be are refused before anything is written", "[crop]") {
    const ScratchFolder folder;
    const Scene scene = flat_scene(folder);
    const auto refusal = [&](const RenderOptions& o) {
        try {
            render(scene, o);
        } catch (const Error& e) {
            CHECK_FALSE(std::filesystem::exists(o.out));
            return std::string(e.what());
        }
        return std::string("rendered");
    };
    const RenderOptions o = usual(folder, "never");
    CHECK_THAT(refusal(with_crop(o, Crop::Kind::degrees, -90, 5, 20, -5)),
               Contains("--crop: left (-90 degrees) lies outside"));
    CHECK_THAT(refusal(with_crop(o, Crop::Kind::pixels, 5, 5, 5, 50)),
               Contains("--crop: right (5 px) is not greater than left"));
    Scene bare = scene;
    for (Frame& f : bare.frames) {
        f.masks = {{FrameMask::Kind::leave_out, {{-5, -5}, {2000, -5}, {2000, 2000}, {-5, 2000}}}};
    }
    RenderOptions inside = o;
    inside.crop.kind = Crop::Kind::inside;
    try {
        plan_render(bare, inside);
        FAIL("accepted");
    } catch (const Error& e) {
        CHECK_THAT(e.what(), Contains("--crop inside: no pixel of the canvas is covered"));
    }
}
