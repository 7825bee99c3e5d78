#include <catch2/catch.hpp>
#include <cmath>
#include <memory>
#include <vector>

#include "broadloom/error.hpp"
#include "canvas/cell_map.hpp"
#include "support/made_up_canvases.hpp"
#include "support/same_coords.hpp"

using namespace broadloom;

namespace {

/// Every vector kernel that this processor has.
std::vector<const Kernels*> vector_kernels() {
    std::vector<const Kernels*> found;
    for (const auto set : {InstructionSet::sse4, InstructionSet::avx2, InstructionSet::avx512,
                           InstructionSet::neon}) {
        try {
            found.push_back(&kernels_for(set));
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::usage);
        }
    }
    return found;
}

std::vector<float> coefficients(const SplineGrid& grid, double limit, test::Dice& dice) {
    std::vector<float> out(grid.size());
    for (float& c : out) c = static_cast<float>(dice.between(-limit, limit));
    return out;
}

/// Cells that differ: in what is covered or, where something is, in any bit of the coordinates.
int64_t cells_apart(const CellMap& a, const CellMap& b, const CellRegion& region,
                    int64_t& covered) {
    int64_t apart = 0;
    CellCoords of_a;
    CellCoords of_b;
    for (int64_t cy = 0; cy < region.height(); ++cy) {
        for (int64_t cx = 0; cx < region.width(); ++cx) {
            double scores[2][4];
            a.corner_scores(cx, cy, scores[0]);
            b.corner_scores(cx, cy, scores[1]);
            bool same = a.coverage(cx, cy) == b.coverage(cx, cy) &&
                        a.kept(cx, cy) == b.kept(cx, cy) &&
                        std::equal(scores[0], scores[0] + 4, scores[1]);
            if (same && a.coverage(cx, cy) != Coverage::none) {
                ++covered;
                int64_t origin[4] = {0, 0, 0, 0};
                a.coordinates(cx, cy, plain_kernels(), of_a, origin[0], origin[1]);
                b.coordinates(cx, cy, plain_kernels(), of_b, origin[2], origin[3]);
                same = origin[0] == origin[2] && origin[1] == origin[3] &&
                       test::same_coords(of_a, of_b);
            }
            if (!same) ++apart;
        }
    }
    return apart;
}

}  // namespace

TEST_CASE("nodes projected by vector code have the bits of those projected one by one",
          "[kernels][geometry][property]") {
    const auto kernels = vector_kernels();
#if defined(__x86_64__)
    REQUIRE_FALSE(kernels.empty());
#endif
    test::Dice dice(41);
    for (int round = 0; round < 24; ++round) {
        Camera camera;
        camera.width = 900;
        camera.height = 600;
        camera.focal_px = round % 6 == 5 ? 300 : dice.between(700, 3000);
        if (round % 2 == 0) {
            camera.radial = {dice.between(-0.1, 0.1), dice.between(-0.02, 0.02), 0.001};
            camera.tangential = {dice.between(-0.002, 0.002), dice.between(-0.002, 0.002)};
        }
        if (round % 3 != 0) camera.vignetting = {dice.between(-0.4, 0.1), 0.02, -0.01};
        Frame frame;
        frame.yaw_deg = round % 4 == 1 ? 180 : dice.between(-50, 50);
        frame.pitch_deg = dice.between(-60, 60);
        frame.roll_deg = dice.between(-4, 4);
        frame.gain = {1.1, 0.9, 1.05};
        FrameGeometry geometry(camera, frame, 1 + round % 8);
        if (round % 4 != 0) {
            auto fields = std::make_shared<FrameFields>();
            fields->shift_grid = {7, 5};
            fields->dx = coefficients(fields->shift_grid, 5, dice);
            fields->dy = coefficients(fields->shift_grid, 5, dice);
            if (round % 4 != 1) {
                fields->light_grid = {5, 4};
                // The larger ones go beyond what the exponential's series is for.
                const double limit = round % 8 == 2 ? 0.9 : 0.2;
                for (auto& c : fields->log_gain) {
                    c = coefficients(fields->light_grid, limit, dice);
                }
            }
            geometry.set_fields(fields);
        }
        Canvas canvas;
        canvas.surface = round % 5 == 3 ? Surface::cylinder : Surface::sphere;
        canvas.left_deg = -180;
        canvas.right_deg = 180;
        canvas.top_deg = canvas.surface == Surface::sphere ? 90 : 75;
        canvas.bottom_deg = -canvas.top_deg;
        canvas.width = 512 * (round % 3 == 0 ? 1 : 4);
        canvas.pixels_per_degree = static_cast<double>(canvas.width) / 360;
        const double turn = static_cast<double>(canvas.width) / (2 * kPi);
        canvas.height = canvas.surface == Surface::sphere
                            ? canvas.width / 2
                            : static_cast<int64_t>(2 * std::tan(75 * kRadPerDeg) * turn);
        canvas.wraps = true;
        const CellRegion region = cells_of({-64, 0, canvas.width, canvas.height});
        const LatticeDirections directions(canvas, region);
        const CellMap one_by_one(directions, geometry);
        frame.roll_deg += 1e-9;
        const FrameGeometry turned_geometry(camera, frame, 1 + round % 8);
        const CellMap turned(directions, turned_geometry);
        for (const Kernels* k : kernels) {
            INFO(k->name << ", round " << round);
            int64_t covered = 0;
            CHECK(cells_apart(one_by_one, CellMap(directions, geometry, k), region, covered) == 0);
            CHECK(covered > 0);
            CHECK(cells_apart(one_by_one, turned, region, covered) > 0);  // the control
        }
    }
}
