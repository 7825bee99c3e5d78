// Seams go round what moved, on scenes made in memory where what moved is known.
#include "settle/seam_solver.hpp"

#include <algorithm>
#include <atomic>
#include <catch2/catch.hpp>
#include <cstdlib>
#include <ctime>

#include "base/stopwatch.hpp"
#include "blend/grid_labels.hpp"
#include "broadloom/error.hpp"
#include "support/moving_scene.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// Of all threads of this process.
double processor_seconds() { return static_cast<double>(std::clock()) / CLOCKS_PER_SEC; }

struct Tally {
    int things = 0, decidable = 0, cut = 0, cut_by_nearest = 0;
};

/// Of one grey, covering all of `view`.
CoarseFrame plain_frame(const Rect& view, int level) {
    CoarseFrame f;
    f.rect = aligned_outwards(view, 16);
    const auto size = static_cast<size_t>(f.rect.area());
    f.flags.assign(size, 0);
    f.detail.assign(size, 0);
    for (auto& plane : f.value) plane.assign(size, static_cast<int16_t>(level * 32));
    for (int64_t y = view.y0; y < view.y1; ++y) {
        for (int64_t x = view.x0; x < view.x1; ++x) f.flags[f.index(x, y)] = kCovered;
    }
    return f;
}

}  // namespace

TEST_CASE("what moved is shown whole or not at all", "[seams]") {
    Tally tally;
    const char* pictures = std::getenv("BROADLOOM_PICTURES");
    double seconds = 0;
    // 300 scenes for the figures; among so many some things are cut.
    const bool figures = std::getenv("BROADLOOM_FIGURES") != nullptr;
    const uint64_t last = figures ? 300 : 20;
    for (uint64_t seed = 1; seed <= last; ++seed) {
        const auto scene = make_moving_scene({}, seed);
        const std::vector<bool> decidable = can_be_whole_or_absent(*scene);
        const double start = monotonic_seconds();
        const LabelGrid labels = solve_seams(scene->canvas, scene->frames, {}, 2);
        seconds += monotonic_seconds() - start;
        const LabelGrid nearest = nearest_centres(*scene);
        CHECK(wrongly_labelled(*scene, labels) == 0);
        bool bad = false;
        for (size_t t = 0; t < scene->things.size(); ++t) {
            const MovedThing& thing = scene->things[t];
            ++tally.things;
            if (!decidable[t]) continue;
            ++tally.decidable;
            const double share = share_shown(*scene, labels, thing);
            if (is_cut(share)) {
                ++tally.cut;
                bad = true;
                UNSCOPED_INFO("scene " << seed << ": the " << thing.kind << " in frame "
                                       << thing.frame << " is shown by " << 100 * share << " %");
            }
            if (is_cut(share_shown(*scene, nearest, thing))) ++tally.cut_by_nearest;
        }
        if (pictures != nullptr && (bad || seed == 1)) {
            write_labelled(std::string(pictures) + "/seams" + std::to_string(seed) + ".ppm",
                           scene->canvas, scene->frames, labels, true);
        }
    }
    UNSCOPED_INFO(tally.things << " things, " << tally.decidable << " decidable, " << tally.cut
                               << " cut, " << tally.cut_by_nearest << " by the nearest centre; "
                               << seconds << " s");
    if (figures)
        WARN(tally.things << " things, " << tally.decidable << " decidable, " << tally.cut
                          << " cut, " << tally.cut_by_nearest << " by the nearest centre");
    CHECK(tally.decidable > 150);
    CHECK(tally.cut <= (figures ? 6 : 0));
    CHECK(tally.cut_by_nearest > 30);
}

TEST_CASE("labels of the whole picture show what moved whole or not at all", "[seams][labels]") {
    // The coarse scene four times as large: its frames as cameras, its labels by GridLabels.
    constexpr int64_t kScale = 4;
    int decidable = 0;
    int cut = 0;
    int cut_by_nearest = 0;
    for (uint64_t seed = 1; seed <= 3; ++seed) {
        const auto scene = make_moving_scene({}, seed);
        const LabelGrid grid = solve_seams(scene->canvas, scene->frames, {}, 2);
        Canvas canvas = scene->canvas.canvas;
        canvas.pixels_per_degree *= kScale;
        canvas.width *= kScale;
        canvas.height *= kScale;
        std::vector<FrameGeometry> geometry;
        std::vector<int> everyone;
        for (const Rect& v : scene->views) {
            Camera camera;
            camera.width = kScale * v.width() + 1;  // the outermost pixel centres are in view
            camera.height = kScale * v.height() + 1;
            camera.focal_px = canvas.pixels_per_degree * kDegPerRad;
            Frame frame;
            frame.yaw_deg = canvas.left_deg + static_cast<double>(kScale * (v.x0 + v.x1)) / 2 /
                                                  canvas.pixels_per_degree;
            frame.pitch_deg = canvas.top_deg - static_cast<double>(kScale * (v.y0 + v.y1)) / 2 /
                                                   canvas.pixels_per_degree;
            geometry.emplace_back(camera, frame, 1);
            everyone.push_back(static_cast<int>(everyone.size()));
        }
        const Rect all{0, 0, canvas.width, canvas.height};
        const RegionMaps maps(canvas, cells_of(all), geometry, everyone);
        const Kernels& kernels = plain_kernels();
        const auto count_cut = [&](const SeamLabels& rule) {
            const LabelRegion labels = rule.label(maps, kernels);
            const auto at = [&](int64_t x, int64_t y) {
                const Label cell = labels.cell(x / kCell, y / kCell);
                return cell == LabelRegion::kMixed
                           ? labels.pixels(
                                 x / kCell,
                                 y / kCell)[static_cast<size_t>(y % kCell * kCell + x % kCell)]
                           : cell;
            };
            const std::vector<bool> possible = can_be_whole_or_absent(*scene);
            int found = 0;
            for (size_t t = 0; t < scene->things.size(); ++t) {
                const MovedThing& thing = scene->things[t];
                if (!possible[t]) continue;
                int64_t shown = 0;
                for (const size_t p : thing.pixels) {
                    const int64_t x = static_cast<int64_t>(p) % grid.width * kScale;
                    const int64_t y = static_cast<int64_t>(p) / grid.width * kScale;
                    for (int64_t j = 0; j < kScale; ++j) {
                        for (int64_t i = 0; i < kScale; ++i) {
                            shown += at(x + i, y + j) == thing.frame ? 1 : 0;
                        }
                    }
                }
                const double share = static_cast<double>(shown) /
                                     static_cast<double>(thing.pixels.size() * kScale * kScale);
                INFO("scene " << seed << ", frame " << thing.frame << ": " << share);
                found += is_cut(share) ? 1 : 0;
            }
            return found;
        };
        for (const bool possible : can_be_whole_or_absent(*scene)) decidable += possible ? 1 : 0;
        cut += count_cut(GridLabels(grid));
        cut_by_nearest += count_cut(NearestCentreLabels());
    }
    INFO(decidable << " things");
    CHECK(decidable > 20);
    CHECK(cut == 0);
    CHECK(cut_by_nearest > 5);
}

TEST_CASE("seams do not depend on threads", "[seams][exact]") {
    MovingPlan plan;
    plan.columns = 5;
    plan.rows = 4;
    plan.width = 128;
    plan.height = 96;
    const auto scene = make_moving_scene(plan, 77);
    const LabelGrid once = solve_seams(scene->canvas, scene->frames, {}, 1);
    CHECK(solve_seams(scene->canvas, scene->frames, {}, 1).pack() == once.pack());
    for (const int threads : {2, 5}) {
        CHECK(solve_seams(scene->canvas, scene->frames, {}, threads).pack() == once.pack());
    }
    // The same world with other grain has other seams.
    plan.noise = 1.6;
    const auto other = make_moving_scene(plan, 77);
    CHECK_FALSE(solve_seams(other->canvas, other->frames, {}, 1).pack() == once.pack());
}

TEST_CASE("on a canvas that wraps seams cross its edge and go round what moved", "[seams]") {
    int decidable = 0;
    int cut = 0;
    for (uint64_t seed = 1; seed <= 6; ++seed) {
        MovingPlan plan;
        plan.columns = 6;
        plan.rows = 2;
        plan.width = 160;
        plan.height = 128;
        plan.wraps = true;
        const auto scene = make_moving_scene(plan, seed);
        const LabelGrid labels = solve_seams(scene->canvas, scene->frames, {}, 2);
        CHECK(wrongly_labelled(*scene, labels) == 0);
        const std::vector<bool> possible = can_be_whole_or_absent(*scene);
        for (size_t t = 0; t < scene->things.size(); ++t) {
            if (!possible[t]) continue;
            ++decidable;
            cut += is_cut(share_shown(*scene, labels, scene->things[t])) ? 1 : 0;
        }
        // The edge is no seam: most rows have one frame on both of its sides.
        int64_t alike = 0;
        for (int64_t y = 0; y < labels.height; ++y) {
            alike += labels.at(0, y) == labels.at(labels.width - 1, y) ? 1 : 0;
        }
        CHECK(alike > labels.height * 9 / 10);
    }
    CHECK(decidable > 50);
    CHECK(cut == 0);
}

TEST_CASE("frames of every kind are labelled", "[seams]") {
    const auto solve = [](const CoarseCanvas& canvas, const HeldFrames& frames) {
        return solve_seams(canvas, frames, {}, 2);
    };
    const CoarseCanvas canvas = flat_canvas(200, 120);
    const auto count = [](const LabelGrid& grid, int frame) {
        return std::count(grid.frame.begin(), grid.frame.end(), static_cast<int16_t>(frame));
    };
    SECTION("none") {
        const HeldFrames frames;
        CHECK(count(solve(canvas, frames), -1) == 200 * 120);
    }
    SECTION("one, not everywhere") {
        HeldFrames frames;
        frames.add(plain_frame({10, 20, 150, 100}, 90));
        const LabelGrid grid = solve(canvas, frames);
        CHECK(count(grid, 0) == 140 * 80);
        CHECK(grid.at(10, 20) == 0);
        CHECK(grid.at(9, 20) == -1);
    }
    SECTION("one that covers nothing, and one beyond the canvas") {
        HeldFrames frames;
        CoarseFrame bare = plain_frame({10, 20, 150, 100}, 90);
        std::fill(bare.flags.begin(), bare.flags.end(), uint8_t{0});
        frames.add(std::move(bare));
        frames.add(plain_frame({16, -40, 190, 60}, 90));
        frames.add(CoarseFrame{});
        const LabelGrid grid = solve(canvas, frames);
        CHECK(count(grid, 1) == 174 * 60);
        CHECK(count(grid, -1) == 200 * 120 - 174 * 60);
    }
    SECTION("side by side without a common pixel") {
        HeldFrames frames;
        frames.add(plain_frame({0, 0, 101, 120}, 60));
        frames.add(plain_frame({101, 0, 200, 120}, 180));
        const LabelGrid grid = solve(canvas, frames);
        CHECK(count(grid, 0) == 101 * 120);
        CHECK(count(grid, 1) == 99 * 120);
    }
    SECTION("the same twice, and one inside the other") {
        HeldFrames frames;
        frames.add(plain_frame({0, 0, 200, 120}, 60));
        frames.add(plain_frame({0, 0, 200, 120}, 60));
        frames.add(plain_frame({70, 40, 130, 80}, 60));
        const LabelGrid grid = solve(canvas, frames);
        CHECK(count(grid, -1) == 0);
        CHECK(count(grid, 0) > 200 * 120 / 2);  // the earlier of equal ones
    }
    SECTION("kept places") {
        HeldFrames frames;
        frames.add(plain_frame({0, 0, 140, 120}, 60));
        CoarseFrame second = plain_frame({60, 0, 200, 120}, 200);
        CoarseFrame third = plain_frame({60, 0, 200, 120}, 100);
        for (int64_t y = 30; y < 51; ++y) {
            for (int64_t x = 62; x < 75; ++x) {
                second.flags[second.index(x, y)] |= kKeep;
                if (y > 40) third.flags[third.index(x, y)] |= kKeep;
            }
        }
        // Here only the third one is kept.
        for (int64_t y = 90; y < 97; ++y) third.flags[third.index(199, y)] |= kKeep;
        frames.add(std::move(second));
        frames.add(std::move(third));
        const LabelGrid grid = solve(canvas, frames);
        for (int64_t y = 30; y < 51; ++y) {
            for (int64_t x = 62; x < 75; ++x) CHECK(grid.at(x, y) == 1);
        }
        for (int64_t y = 90; y < 97; ++y) CHECK(grid.at(199, y) == 2);
        CHECK(grid.at(10, 40) == 0);
        CHECK(count(grid, -1) == 0);
    }
}

TEST_CASE("solving stops when asked to", "[seams]") {
    const auto scene = make_moving_scene({}, 3);
    std::atomic<int> stop{2};
    WorkHooks hooks;
    hooks.stop = &stop;
    try {
        (void)solve_seams(scene->canvas, scene->frames, {}, 2, hooks);
        FAIL("it went on");
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::interrupted);
    }
}

TEST_CASE("a hundred frames in little time", "[seams][figures]") {
    if (std::getenv("BROADLOOM_FIGURES") == nullptr) return;
    MovingPlan plan;
    plan.columns = plan.rows = 10;
    plan.width = 684;
    plan.height = 456;
    const auto scene = make_moving_scene(plan, 5);
    for (const int threads : {1, 2}) {
        std::string stage;
        double begun = monotonic_seconds();
        double cpu = processor_seconds();
        const double start = begun;
        const double start_cpu = cpu;
        WorkHooks hooks;
        hooks.progress = [&](const WorkProgress& p) {
            if (p.stage == stage) return;
            const double now = monotonic_seconds();
            const double now_cpu = processor_seconds();
            WARN(stage << " " << now - begun << " s, processor " << now_cpu - cpu);
            stage = p.stage;
            begun = now;
            cpu = now_cpu;
        };
        const LabelGrid labels = solve_seams(scene->canvas, scene->frames, {}, threads, hooks);
        WARN(stage << " " << monotonic_seconds() - begun << " s, processor "
                   << processor_seconds() - cpu);
        int cut = 0;
        for (const MovedThing& thing : scene->things) {
            cut += is_cut(share_shown(*scene, labels, thing)) ? 1 : 0;
        }
        WARN(threads << " threads: " << labels.width << " x " << labels.height << ", "
                     << monotonic_seconds() - start << " s, processor "
                     << processor_seconds() - start_cpu << " s; " << cut << " of "
                     << scene->things.size() << " things cut; packed " << labels.pack().size());
        const char* pictures = std::getenv("BROADLOOM_PICTURES");
        if (pictures != nullptr) {
            write_labelled(std::string(pictures) + "/hundred.ppm", scene->canvas, scene->frames,
                           labels, true);
        }
    }
}
