// Seams go round what moved, on scenes made in memory where what moved is known.
#include "settle/seam_solver.hpp"

#include <catch2/catch.hpp>
#include <cstdlib>

#include "base/stopwatch.hpp"
#include "support/moving_scene.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

struct Tally {
    int things = 0, decidable = 0, cut = 0, cut_by_nearest = 0;
};

}  // namespace

TEST_CASE("what moved is shown whole or not at all", "[seams]") {
    Tally tally;
    const char* pictures = std::getenv("BROADLOOM_PICTURES");
    double seconds = 0;
    for (uint64_t seed = 1; seed <= 20; ++seed) {
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
