// The survey of the frames, what it keeps on disk, and the file of the coarse solution.
#include "settle/survey.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <fstream>

#include "base/file_io.hpp"
#include "broadloom/error.hpp"
#include "broadloom/photometry.hpp"
#include "broadloom/render.hpp"
#include "io/frame_reduce.hpp"
#include "settle/settle.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::ScratchFolder;

namespace {

/// Smooth hills of grey with a step, so that every coarse pixel's value is known.
Picture hills(int64_t width, int64_t height) {
    Picture p{width, height, std::vector<uint8_t>(static_cast<size_t>(width * height * 3))};
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            for (int64_t c = 0; c < 3; ++c) {
                const double v = 120 + 40 * std::sin(static_cast<double>(x) / (60.0 + 9.0 * c)) +
                                 30 * std::cos(static_cast<double>(y) / 47.0);
                p.rgb[static_cast<size_t>(3 * (y * width + x) + c)] = static_cast<uint8_t>(v);
            }
        }
    }
    return p;
}

struct Shoot {
    Scene scene;
    std::vector<SettleFrame> frames;
    std::vector<FrameGeometry> geometry;

    Shoot(const ScratchFolder& folder, double gain_spread) {
        Canvas canvas;
        canvas.left_deg = -20;
        canvas.right_deg = 20;
        canvas.top_deg = 14;
        canvas.bottom_deg = -14;
        canvas.pixels_per_degree = 40;
        canvas.width = 1600;
        canvas.height = 1120;
        ShootOptions o;
        o.rows = 2;
        o.columns = 2;
        o.width = 900;
        o.height = 640;
        o.quality = 98;
        o.gain_spread = gain_spread;
        scene = shoot(hills(canvas.width, canvas.height), canvas, o, folder.path());
        for (const Frame& f : scene.frames) {
            SettleFrame frame;
            frame.path = scene.path_of(f);
            frame.name = f.file;
            frame.info = probe_frame(frame.path, frame.name);
            geometry.emplace_back(scene.cameras.at(f.camera), f, frame.info.orientation);
            frames.push_back(std::move(frame));
        }
    }
};

std::string everything(const CoarseSurvey& survey) {
    std::string all;
    for (size_t i = 0; i < survey.count(); ++i) {
        all += pack_bytes(*survey.get(i));
        all += pack_bytes(*survey.patches().get(i));
    }
    return all;
}

}  // namespace

TEST_CASE("coarse frames show what the scene shows, corrected", "[settle][survey]") {
    const ScratchFolder folder;
    const Shoot s(folder, 0.3);
    const CoarseCanvas coarse = coarse_canvas_of(s.scene);
    REQUIRE(coarse.step == 2);  // 640 / 2 = 320, 640 / 4 is below 256
    REQUIRE(coarse.canvas.width == (make_canvas(s.scene, 1).width + 1) / 2);
    CoarseSurvey survey(s.frames.size(), 64 << 20, folder / "scratch");
    survey_frames(s.frames, s.geometry, coarse, nullptr, plain_kernels(), 2, {}, survey);

    // Two frames that see one place agree, though their exposures differ by up to 0.6 stops.
    int64_t met = 0;
    double worst = 0;
    double worst_raw = 0;
    const auto a = survey.get(0);
    const auto b = survey.get(1);
    const Rect both = intersect(a->rect, b->rect);
    for (int64_t y = both.y0; y < both.y1; ++y) {
        for (int64_t x = both.x0; x < both.x1; ++x) {
            const size_t i = a->index(x, y);
            const size_t j = b->index(x, y);
            if (a->flags[i] != kCovered || b->flags[j] != kCovered) continue;
            ++met;
            for (size_t c = 0; c < 3; ++c) {
                const double va = a->value[c][i] / 32.0;
                const double vb = b->value[c][j] / 32.0;
                worst = std::max(worst, std::abs(va - vb));
                const auto uncorrected = [&](double v, size_t frame) {
                    const double e = srgb_decode(v / 255) / s.scene.frames[frame].gain[c];
                    return 255 * srgb_encode(e);
                };
                worst_raw = std::max(worst_raw, std::abs(uncorrected(va, 0) - uncorrected(vb, 1)));
            }
        }
    }
    CHECK(met > 20'000);
    CHECK(worst < 5);       // rounding to 8 bits in each frame, JPEG, one interpolation each
    CHECK(worst_raw > 10);  // the control: before correction they do not agree

    // Nothing outside the frames is covered, and every frame is found.
    for (size_t f = 0; f < survey.count(); ++f) {
        const auto frame = survey.get(f);
        const auto covered = std::count_if(frame->flags.begin(), frame->flags.end(),
                                           [](uint8_t v) { return (v & kCovered) != 0; });
        const double expected = 900.0 * 640.0 / 4;
        CHECK(static_cast<double>(covered) > 0.9 * expected);
        CHECK(static_cast<double>(covered) < 1.15 * expected);
    }
}

TEST_CASE("the survey is the same from memory and from disk, for any number of workers",
          "[settle][survey]") {
    const ScratchFolder folder;
    const Shoot s(folder, 0.1);
    const CoarseCanvas coarse = coarse_canvas_of(s.scene);
    const PatchLattice lattice = patch_lattice(coarse, s.geometry);
    const auto look = [&](size_t budget, int workers) {
        CoarseSurvey survey(s.frames.size(), budget, folder / "scratch");
        survey_frames(s.frames, s.geometry, coarse, &lattice, plain_kernels(), workers, {}, survey);
        return everything(survey);
    };
    const std::string first = look(64 << 20, 1);
    CHECK(first.size() > 1'000'000);
    CHECK(first == look(64 << 20, 3));
    CHECK(first == look(0, 2));  // one at a time in memory, the others read back
    CHECK_FALSE(std::filesystem::exists(folder / "scratch"));
}

TEST_CASE("canvases of several gigapixels are surveyed at a sixteenth", "[settle][survey]") {
    const ScratchFolder folder;
    Shoot s(folder, 0.1);
    s.scene.canvas.pixels_per_degree = 1500;
    const CoarseCanvas coarse = coarse_canvas_of(s.scene);
    REQUIRE(coarse.step == 16);
    CHECK(survey_worker_bytes(s.frames, coarse) > 0);
    CoarseSurvey survey(s.frames.size(), 64 << 20, folder / "scratch");
    survey_frames(s.frames, s.geometry, coarse, nullptr, plain_kernels(), 2, {}, survey);
    for (size_t i = 0; i < survey.count(); ++i) {
        // As much of the canvas as the scene has it, 1500 / 40 times as large.
        const double share = static_cast<double>(survey.get(i)->rect.width()) / 900;
        CHECK(std::abs(share / (1500.0 / 40 / 16) - 1) < 0.1);
    }
    // Decoders have no such scale.
    FramePixels pixels;
    CHECK_THROWS_AS(decode_frame(s.frames[0].path, "a frame", s.frames[0].info, 16, pixels), Error);
}

TEST_CASE("what is put on disk comes back, and a disk that refuses is told", "[settle][spill]") {
    const ScratchFolder folder;
    SpillFile file(folder / "spill");
    const auto a = file.append("first");
    const auto b = file.append(std::string(100'000, 'x'));
    CHECK(file.read(a) == "first");
    CHECK(file.read(b) == std::string(100'000, 'x'));
    SpillFile nowhere(folder / "absent" / "spill");
    CHECK_THROWS_AS(nowhere.append("lost"), Error);
}

TEST_CASE("blocks are averaged as they are, partial ones too", "[settle][reduce]") {
    FrameInfo info;
    info.stored_width = 5;
    info.stored_height = 3;
    info.colour = FrameColour::grey;
    FramePixels pixels;
    pixels.allocate(info, 1);
    for (int64_t y = 0; y < 3; ++y) {
        for (int64_t x = 0; x < 5; ++x) {
            pixels.planes[0].origin[y * pixels.planes[0].stride + x] =
                static_cast<std::byte>(10 * y + x);
        }
    }
    FramePixels out;
    reduce_pixels(pixels, info, 2, out);
    REQUIRE(out.planes[0].width == 3);
    REQUIRE(out.planes[0].height == 2);
    const auto at = [&](int64_t x, int64_t y) {
        return std::to_integer<int>(out.planes[0].origin[y * out.planes[0].stride + x]);
    };
    CHECK(at(0, 0) == 6);   // (0 + 1 + 10 + 11) / 4 = 5.5
    CHECK(at(1, 0) == 8);   // 7.5
    CHECK(at(2, 0) == 9);   // (4 + 14) / 2
    CHECK(at(0, 1) == 21);  // (20 + 21) / 2 = 20.5
    CHECK(at(2, 1) == 24);
    CHECK(at(3, 1) == 24);  // the border repeats the edge
}

TEST_CASE("the solution comes back from its file, and only for its own scene", "[settle]") {
    Settled settled;
    settled.summary.shift_points = 7;
    settled.summary.apart_before_px = 1.25;
    settled.fields.resize(2);
    settled.fields[1].shift_grid = {4, 5};
    settled.fields[1].dx.assign(20, 0.5F);
    settled.fields[1].dy.assign(20, -0.25F);
    Canvas canvas;
    canvas.pixels_per_degree = 10;
    canvas.width = 40;
    canvas.height = 20;
    LabelGrid grid(canvas);
    std::fill(grid.frame.begin() + 300, grid.frame.begin() + 500, int16_t{1});
    settled.labels = std::make_shared<const LabelGrid>(grid);

    const std::string bytes = pack_settled(settled, "key");
    const Settled back = unpack_settled(bytes, "key", "file");
    CHECK(back.summary.shift_points == 7);
    CHECK(back.summary.apart_before_px == 1.25);
    REQUIRE(back.fields.size() == 2);
    CHECK(back.fields[1].dx == settled.fields[1].dx);
    CHECK(back.fields[1].dy == settled.fields[1].dy);
    CHECK(back.fields[1].shift_grid == settled.fields[1].shift_grid);
    REQUIRE(back.labels);
    CHECK(*back.labels == grid);
    CHECK_THROWS_AS(unpack_settled(bytes, "another", "file"), Error);
    for (size_t at = 0; at < bytes.size(); at += 3) {  // any damage is seen
        std::string damaged = bytes;
        damaged[at] = static_cast<char>(damaged[at] ^ 4);
        CHECK_THROWS_AS(unpack_settled(damaged, "key", "file"), Error);
        CHECK_THROWS_AS(unpack_settled(bytes.substr(0, at), "key", "file"), Error);
    }
}

TEST_CASE("a later pass takes the seams of an earlier one of the same scene",
          "[settle][pipeline]") {
    const ScratchFolder folder;
    Shoot s(folder, 0.1);
    RenderOptions draft;
    draft.pass = Pass::draft;
    draft.out = folder / "draft";
    draft.threads = 2;
    const RenderReport first = render(s.scene, draft);
    CHECK(first.fine_seams);
    RenderOptions full;
    full.out = folder / "full";
    full.threads = 2;
    full.like = draft.out;
    RenderOptions anew = full;
    anew.out = folder / "anew";
    anew.like.clear();
    render(s.scene, full);
    render(s.scene, anew);
    for (const char* name : {"pano.tif", "pano.settled"}) {
        CHECK(read_file_limited(full.out / name, 1 << 28) ==
              read_file_limited(anew.out / name, 1 << 28));
    }
    CHECK(read_file_limited(full.out / "pano.settled", 1 << 28) ==
          read_file_limited(draft.out / "pano.settled", 1 << 28));
    // The control: other seams give another picture.
    anew.out = folder / "simple";
    anew.seams = Seams::simple;
    render(s.scene, anew);
    CHECK(read_file_limited(full.out / "pano.tif", 1 << 28) !=
          read_file_limited(anew.out / "pano.tif", 1 << 28));
    // Another scene's are refused, and nothing is left behind.
    s.scene.frames[0].roll_deg += 0.01;
    full.out = folder / "other";
    try {
        render(s.scene, full);
        FAIL("another scene's seams were taken");
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::usage);
        CHECK(std::string(e.what()).find("--like") == 0);
    }
    CHECK_FALSE(std::filesystem::exists(full.out));
}
