// Seams go round what moved, on scenes made in memory where what moved is known.
#include "settle/seam_solver.hpp"

#include <catch2/catch.hpp>
#include <cstdlib>
#include <ctime>

#include "base/stopwatch.hpp"
#include "support/moving_scene.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// Of all threads of this process.
double processor_seconds() { return static_cast<double>(std::clock()) / CLOCKS_PER_SEC; }

struct Tally {
    int things = 0, decidable = 0, cut = 0, cut_by_nearest = 0;
};

}  // namespace

TEST_CASE("what moved is shown whole or not at all", "[seams]") {
    Tally tally;
    const char* pictures = std::getenv("BROADLOOM_PICTURES");
    double seconds = 0;
    const char* more = std::getenv("SCENES");
    for (uint64_t seed = 1; seed <= (more ? std::stoul(more) : 20); ++seed) {
        const auto scene = make_moving_scene({}, seed);
        const std::vector<bool> decidable = can_be_whole_or_absent(*scene);
        const double start = monotonic_seconds();
        const LabelGrid labels = solve_seams(scene->canvas, scene->frames, {}, 2);
        seconds += monotonic_seconds() - start;
        const LabelGrid nearest = nearest_centres(*scene);
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
                WARN("scene " << seed << ": the " << thing.kind << " in frame " << thing.frame
                              << " is shown by " << 100 * share << " %");
            }
            if (is_cut(share_shown(*scene, nearest, thing))) ++tally.cut_by_nearest;
        }
        if (pictures != nullptr && (bad || seed == 1)) {
            write_labelled(std::string(pictures) + "/seams" + std::to_string(seed) + ".ppm",
                           scene->canvas, scene->frames, labels, true);
        }
    }
    WARN(tally.things << " things, " << tally.decidable << " decidable, " << tally.cut << " cut, "
                      << tally.cut_by_nearest << " by the nearest centre; " << seconds << " s");
    CHECK(tally.decidable > 150);
    CHECK(tally.cut == 0);
    CHECK(tally.cut_by_nearest > 30);
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
