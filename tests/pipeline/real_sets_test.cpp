// Real photographs, hand-held: small, with parallax and movement. Their folder is named by
// BROADLOOM_PHOTOS; without it this test is skipped. The figures are rotation-only residuals
// that were measured for these sets with SIFT matches, as they came with them.
#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>
#include <string>
#include <vector>

#include "broadloom/align.hpp"
#include "broadloom/gather.hpp"
#include "gather/card.hpp"
#include "match/reduced_frame.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using broadloom::testing::ScratchFolder;
namespace fs = std::filesystem;

namespace {

std::optional<fs::path> photos() {
    const char* named = std::getenv("BROADLOOM_PHOTOS");
    if (named == nullptr || !fs::is_directory(named)) {
        WARN("BROADLOOM_PHOTOS names no folder of photographs: skipped");
        return std::nullopt;
    }
    return named;
}

AlignReport aligned(const fs::path& folder, std::optional<double> focal_35mm, const fs::path& out) {
    GatherOptions g;
    g.inputs = {folder};
    g.out = out / "scene.json";
    g.layout = Layout::loose;
    g.focal_35mm = focal_35mm;
    gather(g);
    AlignOptions a;
    a.scene = g.out;
    return align(a);
}

}  // namespace

TEST_CASE("hand-held sets align at or below their known residuals", "[real]") {
    const auto folder = photos();
    if (!folder) return;
    struct Set {
        const char* name;
        double residual_px;
        std::optional<double> focal_35mm;  // where the files do not say
    };
    for (const Set& set : {Set{"arches_a", 0.8, {}}, Set{"arches_b", 0.3, {}},
                           Set{"river", 0.65, {}}, Set{"trees", 3.6, {}}, Set{"grass", 2.6, {}},
                           Set{"cave", 3.5, 25}, Set{"roofs", 8.2, 30}}) {
        INFO(set.name);
        const ScratchFolder out;
        const AlignReport r = aligned(*folder / set.name, set.focal_35mm, out.path());
        CHECK(r.placed_by_matches == r.frames);
        CHECK(r.rms_px <= set.residual_px);
        int64_t matches = 0;
        int64_t moved = 0;
        for (const PairReport& p : r.pairs) {
            matches += p.matches;
            moved += p.moved;
        }
        // Small residuals must not come from leaving most of the picture aside.
        CHECK(matches >= 100);
        CHECK(moved * 5 <= matches);
    }
}

TEST_CASE("frames stored in all eight orientations come out upright", "[real]") {
    const auto folder = photos();
    if (!folder) return;
    for (const std::string kind : {"Landscape_", "Portrait_"}) {
        GatherOptions options;
        for (int o = 1; o <= 8; ++o) {
            options.inputs.push_back(*folder / "orientation" / (kind + std::to_string(o) + ".jpg"));
        }
        options.focal_35mm = 28;
        std::vector<std::string> notes;
        std::vector<Finding> findings;
        const std::vector<Photo> set = read_card(options, 1, {}, notes, findings);
        REQUIRE(set.size() == 8);
        FramePixels scratch;
        GreyImage first;
        for (size_t i = 0; i < set.size(); ++i) {
            INFO(set[i].name);
            CHECK(set[i].orientation == static_cast<int>(i) + 1);
            const GreyImage g =
                read_grey(set[i].path, set[i].name, set[i].info, set[i].orientation, 4, scratch);
            if (i == 0) {
                first = g;
                continue;
            }
            REQUIRE(g.width == first.width);
            REQUIRE(g.height == first.height);
            const auto difference = [&](bool mirrored) {
                double sum = 0;
                for (int64_t y = 0; y < g.height; ++y) {
                    for (int64_t x = 0; x < g.width; ++x) {
                        sum += std::abs(static_cast<double>(g.at(x, y)) -
                                        first.at(mirrored ? g.width - 1 - x : x, y));
                    }
                }
                return sum / static_cast<double>(g.width * g.height);
            };
            // The pictures bear their number, and were compressed one by one.
            CHECK(difference(false) < 4);
            CHECK(difference(true) > 10);
        }
    }
}
