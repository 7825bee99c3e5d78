// What stands elsewhere in each frame is shown once, on scenes made in memory.
#include "settle/moved_things.hpp"

#include <catch2/catch.hpp>
#include <cstdlib>
#include <string>

#include "settle/seam_solver.hpp"
#include "support/moving_scene.hpp"

using namespace broadloom;
using namespace broadloom::test;

TEST_CASE("what walks is shown once at most", "[seams]") {
    // Things that stand elsewhere in each frame. Places are decidable where a labelling exists that
    // shows each thing once at most, and no place cut.
    struct Counts {
        int places = 0, decidable = 0, cut = 0, doubled = 0;
        std::string text() const {
            return std::to_string(places) + " places, " + std::to_string(decidable) +
                   " decidable, " + std::to_string(cut) + " cut, " + std::to_string(doubled) +
                   " things doubled";
        }
    };
    Counts once;
    Counts anyhow;
    const bool figures = std::getenv("BROADLOOM_FIGURES") != nullptr;
    const char* pictures = std::getenv("BROADLOOM_PICTURES");
    const uint64_t last = figures ? 200 : 20;
    for (uint64_t seed = 1; seed <= last; ++seed) {
        MovingPlan plan;
        plan.walkers = 6;
        const auto scene = make_moving_scene(plan, seed);
        const std::vector<bool> possible = can_be_whole_or_absent(*scene);
        const auto count = [&](bool with, Counts& counts) {
            SeamOptions options;
            options.once = with;
            const LabelGrid labels = solve_seams(scene->canvas, scene->frames, options, 2);
            CHECK(wrongly_labelled(*scene, labels) == 0);
            for (size_t t = 0; t < scene->things.size(); ++t) {
                ++counts.places;
                if (!possible[t]) continue;
                ++counts.decidable;
                counts.cut += is_cut(share_shown(*scene, labels, scene->things[t])) ? 1 : 0;
            }
            const int doubled = count_doubled(*scene, labels, possible);
            counts.doubled += doubled;
            if (with && doubled > 0) UNSCOPED_INFO("scene " << seed << ": " << doubled);
            if (pictures != nullptr && doubled > 0) {
                write_labelled(std::string(pictures) + (with ? "/once" : "/anyhow") +
                                   std::to_string(seed) + ".ppm",
                               scene->canvas, scene->frames, labels, true);
            }
        };
        count(true, once);
        if (seed > last / 2) count(false, anyhow);
    }
    UNSCOPED_INFO(once.text() << "; wherever seams leave them: " << anyhow.text()
                              << " in half as many scenes");
    if (figures)
        WARN(once.text() << "; wherever seams leave them: " << anyhow.text()
                         << " in half as many scenes");
    CHECK(once.decidable > 150);
    CHECK(once.cut <= (figures ? 6 : 0));
    CHECK(once.doubled <= (figures ? 30 : 0));
    CHECK(anyhow.doubled > once.doubled + 3);
}

TEST_CASE("places seen twice do not depend on threads", "[seams][exact]") {
    // A scene with something that would be shown twice.
    MovingPlan plan;
    plan.walkers = 6;
    const auto scene = make_moving_scene(plan, 3);
    SeamOptions anyhow;
    anyhow.once = false;
    const auto left = solve_seams(scene->canvas, scene->frames, anyhow, 1).pack();
    const auto once = solve_seams(scene->canvas, scene->frames, {}, 1).pack();
    CHECK_FALSE(once == left);
    for (const int threads : {2, 5})
        CHECK(solve_seams(scene->canvas, scene->frames, {}, threads).pack() == once);
}
