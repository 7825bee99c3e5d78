// Block by block equals the whole canvas at once, bit for bit.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <vector>

#include "blend/block.hpp"
#include "canvas/frame_index.hpp"
#include "support/made_up_canvases.hpp"
#include "support/whole_canvas.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

constexpr std::array<uint8_t, 3> kBackground{46, 40, 52};

struct Tiling {
    int64_t leaf_width, leaf_height;
    int64_t core;
    /// Labels farther than this from the leaf are forgotten; negative: none.
    int64_t reach = -1;
};

/// Labels as they would look to a renderer whose halo is too small.
void forget_beyond(LabelRegion& labels, const Rect& kept) {
    const CellRegion& region = labels.region();
    for (int64_t cy = 0; cy < region.height(); ++cy) {
        for (int64_t cx = 0; cx < region.width(); ++cx) {
            const Rect cell =
                Rect{0, 0, kCell, kCell}.moved((region.x0 + cx) * kCell, (region.y0 + cy) * kCell);
            if (intersect(cell, kept).empty()) labels.set(cx, cy, kNobody);
        }
    }
}

/// The canvas leaf by leaf, as a render does it; Sample: uint8_t or, deep, uint16_t.
template <typename Sample>
std::vector<Sample> blocks_of(const MadeUpCanvas& m, const BlockOptions& options,
                              const Tiling& tiling, const Kernels& kernels) {
    const Canvas& canvas = m.canvas;
    const int bands = options.bands;
    // What a renderer leaves alone shows.
    std::vector<Sample> out(static_cast<size_t>(canvas.width * canvas.height * 4), Sample{77});
    const FrameIndex index(canvas, m.geometry);
    const NearestCentreLabels seams;
    BlockRenderer renderer(canvas, options, kernels);
    for (int64_t y = 0; y < canvas.height; y += tiling.leaf_height) {
        for (int64_t x = 0; x < canvas.width; x += tiling.leaf_width) {
            const Rect rect{x, y, std::min(x + tiling.leaf_width, canvas.width),
                            std::min(y + tiling.leaf_height, canvas.height)};
            const Rect area = block_surroundings(canvas, rect, bands);
            const RegionMaps maps(canvas, cells_of(area), m.geometry,
                                  index.touching(aligned_outwards(area, kCell)));
            LabelRegion labels = seams.label(maps, kernels);
            if (tiling.reach >= 0) forget_beyond(labels, rect.grown(tiling.reach));
            std::vector<const FrameSampler*> samplers(maps.frames().size(), nullptr);
            for (const int k : labels.owners(area)) {
                samplers[static_cast<size_t>(k)] =
                    &m.samplers[static_cast<size_t>(maps.frames()[static_cast<size_t>(k)])];
            }
            Sample* at = out.data() + 4 * (y * canvas.width + x);
            if constexpr (sizeof(Sample) == 1) {
                renderer.render(rect, maps, labels, samplers, at, 4 * canvas.width);
            } else {
                renderer.render_deep(rect, maps, labels, samplers, at, 4 * canvas.width);
            }
        }
    }
    return out;
}

std::vector<uint8_t> by_blocks(const MadeUpCanvas& m, int bands, const Tiling& tiling,
                               const Kernels& kernels) {
    return blocks_of<uint8_t>(m, {bands, tiling.core, kBackground}, tiling, kernels);
}

std::vector<uint16_t> deep_by_blocks(const MadeUpCanvas& m, int bands, const Tiling& tiling,
                                     const Kernels& kernels) {
    return blocks_of<uint16_t>(m, {bands, tiling.core, kBackground}, tiling, kernels);
}

template <typename Sample>
int64_t differing_pixels(const std::vector<Sample>& a, const std::vector<Sample>& b) {
    int64_t count = 0;
    for (size_t p = 0; p < a.size(); p += 4) count += std::equal(&a[p], &a[p] + 4, &b[p]) ? 0 : 1;
    return count;
}

WholeCanvas whole_of(const MadeUpCanvas& m) {
    return {m.canvas, m.geometry, m.samplers, kBackground};
}

/// Leaves with even and odd corners, cores from one cell to a whole leaf. All of them with
/// BROADLOOM_FIGURES set; else two, others for each number of bands.
std::vector<Tiling> tilings_for(int bands) {
    std::vector<Tiling> all{{512, 512, 256}, {512, 512, 512}, {250, 170, 64}, {97, 331, 128}};
    if (bands <= 4) all.push_back({512, 512, 48});
    if (bands <= 2) all.push_back({131, 512, 16});
    if (std::getenv("BROADLOOM_FIGURES") != nullptr) return all;
    const auto i = static_cast<size_t>(bands);
    return {all[i % all.size()], all[(i + 2) % all.size()]};
}

void compare_all(const MadeUpCanvas& m) {
    const WholeCanvas whole = whole_of(m);
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    INFO(m.name);
    CHECK(differing_pixels(by_blocks(m, 0, {512, 512, 256}, kernels), whole.hard_cut()) == 0);
    for (int bands = 1; bands <= 6; ++bands) {
        const std::vector<uint8_t> expected = whole.blended(bands);
        // The blend does something, else equality would say little.
        CHECK(differing_pixels(expected, whole.hard_cut()) > m.canvas.width);
        for (const Tiling& t : tilings_for(bands)) {
            INFO("bands " << bands << ", leaves " << t.leaf_width << " x " << t.leaf_height
                          << ", cores " << t.core);
            CHECK(differing_pixels(by_blocks(m, bands, t, kernels), expected) == 0);
        }
    }
}

}  // namespace

TEST_CASE("blocks equal the whole canvas: flat sphere, frames of different sizes, one listed twice",
          "[multiband][exact]") {
    compare_all(flat_sphere());
}
TEST_CASE("blocks equal the whole canvas: everywhere covered", "[multiband][exact]") {
    compare_all(covered_sphere());
}
TEST_CASE("blocks equal the whole canvas: whole sphere with both poles and gaps",
          "[multiband][exact]") {
    compare_all(whole_sphere());
}
TEST_CASE("blocks equal the whole canvas: a canvas narrower than its halo that wraps",
          "[multiband][exact]") {
    compare_all(small_sphere());
}
TEST_CASE("blocks equal the whole canvas: flat cylinder with strong lenses", "[multiband][exact]") {
    compare_all(flat_cylinder());
}
TEST_CASE("blocks equal the whole canvas: whole cylinder", "[multiband][exact]") {
    compare_all(whole_cylinder());
}
TEST_CASE("blocks equal the whole canvas: six frames that meet", "[multiband][exact]") {
    compare_all(meeting_frames());
}

TEST_CASE("blocks equal the whole canvas at the most bands", "[multiband][exact]") {
    const MadeUpCanvas m = flat_sphere();
    const WholeCanvas whole = whole_of(m);
    for (const int bands : {7, kMaxBands}) {
        CHECK(differing_pixels(
                  by_blocks(m, bands, {512, 512, 256}, kernels_for(InstructionSet::automatic)),
                  whole.blended(bands)) == 0);
    }
}

TEST_CASE("deep blocks equal the whole canvas", "[multiband][exact][deep]") {
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    for (const auto make : {flat_sphere, whole_sphere, meeting_frames}) {
        const MadeUpCanvas m = make();
        const WholeCanvas whole = whole_of(m);
        INFO(m.name);
        const std::vector<uint16_t> cut = whole.hard_cut_deep();
        CHECK(differing_pixels(deep_by_blocks(m, 0, {512, 512, 256}, kernels), cut) == 0);
        for (const int bands : {2, 5}) {
            const std::vector<uint16_t> expected = whole.blended_deep(bands);
            CHECK(differing_pixels(expected, cut) > m.canvas.width);
            for (const Tiling& t : {Tiling{512, 512, 256}, Tiling{250, 170, 64}}) {
                INFO("bands " << bands << ", leaves " << t.leaf_width << " x " << t.leaf_height);
                CHECK(differing_pixels(deep_by_blocks(m, bands, t, kernels), expected) == 0);
            }
        }
        // Covered or not, nothing in between.
        const std::vector<uint16_t> blended = deep_by_blocks(m, 5, {512, 512, 256}, kernels);
        int64_t uncovered = 0;
        int64_t wrong = 0;
        for (int64_t y = 0; y < whole.height(); ++y) {
            for (int64_t x = 0; x < whole.width(); ++x) {
                const uint16_t* p = &blended[4 * static_cast<size_t>(y * whole.width() + x)];
                const bool covered = whole.source(x, y) >= 0;
                if (!covered) ++uncovered;
                const bool blank = p[0] == 0 && p[1] == 0 && p[2] == 0 && p[3] == 0;
                wrong += covered ? p[3] != 65535 : !blank;
            }
        }
        CHECK(wrong == 0);
        CHECK(uncovered > 0);
    }
}

TEST_CASE("the background stays what it is beside a blend", "[multiband][exact]") {
    // Negative control: the correction itself does reach over the frames' borders.
    const MadeUpCanvas m = flat_sphere();
    const WholeCanvas whole = whole_of(m);
    const auto got = by_blocks(m, 5, {512, 512, 256}, kernels_for(InstructionSet::automatic));
    int64_t wrong = 0;
    int64_t uncovered = 0;
    for (int64_t y = 0; y < whole.height(); ++y) {
        for (int64_t x = 0; x < whole.width(); ++x) {
            if (whole.source(x, y) >= 0) continue;
            ++uncovered;
            const uint8_t* p = &got[4 * static_cast<size_t>(y * whole.width() + x)];
            wrong += !std::equal(kBackground.begin(), kBackground.end(), p);
        }
    }
    CHECK(uncovered > 1000);
    CHECK(wrong == 0);
    CHECK(whole.correction_on_background(5) > 1);
}

TEST_CASE("every instruction set gives the whole canvas's bits", "[multiband][exact][simd]") {
    const MadeUpCanvas m = flat_sphere();
    const WholeCanvas whole = whole_of(m);
    const std::vector<uint8_t> expected = whole.blended(4);
    const std::vector<uint16_t> deep = whole.blended_deep(4);
    int tried = 0;
    for (const InstructionSet set :
         {InstructionSet::plain, InstructionSet::sse4, InstructionSet::avx2, InstructionSet::avx512,
          InstructionSet::neon}) {
        const Kernels* kernels = nullptr;
        try {
            kernels = &kernels_for(set);
        } catch (const std::exception&) {
            continue;  // this processor lacks it
        }
        ++tried;
        INFO(kernels->name);
        CHECK(differing_pixels(by_blocks(m, 4, {250, 170, 64}, *kernels), expected) == 0);
        CHECK(differing_pixels(deep_by_blocks(m, 4, {250, 170, 64}, *kernels), deep) == 0);
    }
    CHECK(tried >= 2);
}

TEST_CASE("the comparison notices a halo that is too small, a missing band and one flipped bit",
          "[multiband][exact][negative]") {
    const MadeUpCanvas m = flat_sphere();
    const WholeCanvas whole = whole_of(m);
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    const int bands = 5;
    const std::vector<uint8_t> expected = whole.blended(bands);
    const Tiling right{160, 160, 160};
    std::vector<uint8_t> blocks = by_blocks(m, bands, right, kernels);
    REQUIRE(differing_pixels(blocks, expected) == 0);

    // Five bands reach up to 4 * 2^5 = 128 px; half of that and a little more are not enough.
    for (const int64_t reach : {0, 16, 64, 80}) {
        Tiling small = right;
        small.reach = reach;
        INFO("reach " << reach);
        CHECK(differing_pixels(by_blocks(m, bands, small, kernels), expected) > 0);
    }
    Tiling enough = right;
    enough.reach = seam_reach(bands);
    CHECK(differing_pixels(by_blocks(m, bands, enough, kernels), expected) == 0);

    CHECK(differing_pixels(whole.blended(bands - 1), expected) > 0);
    CHECK(differing_pixels(whole.blended(bands + 1), expected) > 0);
    blocks[blocks.size() / 2] ^= 1;
    CHECK(differing_pixels(blocks, expected) == 1);

    const std::vector<uint16_t> deep = whole.blended_deep(bands);
    for (const int64_t reach : {64, 80}) {
        Tiling small = right;
        small.reach = reach;
        INFO("deep, reach " << reach);
        CHECK(differing_pixels(deep_by_blocks(m, bands, small, kernels), deep) > 0);
    }
    CHECK(differing_pixels(deep_by_blocks(m, bands, enough, kernels), deep) == 0);
}

TEST_CASE("beyond its reach a seam changes nothing", "[multiband][exact]") {
    const MadeUpCanvas m = flat_sphere();
    const WholeCanvas whole = whole_of(m);
    const std::vector<uint8_t> cut = whole.hard_cut();
    for (int bands = 1; bands <= 3; ++bands) {
        const std::vector<uint8_t> blended = whole.blended(bands);
        // Burt & Adelson 1983: 5 taps and b reductions reach 4 (2^b - 1) pixels.
        const int64_t reach = 4 * ((int64_t{1} << bands) - 1);
        int64_t near_changed = 0;
        int64_t far_changed = 0;
        for (int64_t y = 0; y < whole.height(); ++y) {
            for (int64_t x = 0; x < whole.width(); ++x) {
                const size_t p = 4 * static_cast<size_t>(y * whole.width() + x);
                if (std::equal(&cut[p], &cut[p] + 4, &blended[p])) continue;
                bool near = false;
                const int here = whole.owner(x, y);
                for (int64_t v = std::max<int64_t>(y - reach, 0);
                     v <= std::min(y + reach, whole.height() - 1) && !near; ++v) {
                    for (int64_t u = std::max<int64_t>(x - reach, 0);
                         u <= std::min(x + reach, whole.width() - 1) && !near; ++u) {
                        near = whole.owner(u, v) != here;
                    }
                }
                ++(near ? near_changed : far_changed);
            }
        }
        CHECK(far_changed == 0);
        CHECK(near_changed > 0);
    }
}

TEST_CASE("the working format agrees with the classic blend in doubles", "[multiband][accuracy]") {
    // Sum of w L(S) over sum of w (Burt & Adelson 1983) and the composite plus blended differences
    // are the same sum when weights add up to one; what remains is rounding: 1/32 level at each
    // level of the pyramid and half a level at the end.
    const MadeUpCanvas m = covered_sphere();
    WholeCanvas whole = whole_of(m);
    whole.set_dither(false);
    for (int64_t y = 0; y < whole.height(); ++y) {
        for (int64_t x = 0; x < whole.width(); ++x) REQUIRE(whole.owner(x, y) >= 0);
    }
    for (int bands = 1; bands <= 6; ++bands) {
        const std::vector<double> exact = whole.blended_in_doubles(bands);
        // Rounded to nearest: the dither is the output's, not the blend's.
        const std::vector<uint8_t> ours =
            blocks_of<uint8_t>(m, {bands, 256, kBackground, false}, {512, 512, 256},
                               kernels_for(InstructionSet::automatic));
        const std::vector<uint8_t> cut = whole.hard_cut();
        const std::vector<uint16_t> deep =
            deep_by_blocks(m, bands, {512, 512, 256}, kernels_for(InstructionSet::automatic));
        double worst = 0;
        double worst_deep = 0;
        double squares = 0;
        double squares_cut = 0;
        for (size_t p = 0; p < exact.size() / 3; ++p) {
            for (size_t c = 0; c < 3; ++c) {
                const double error = ours[4 * p + c] - exact[3 * p + c];
                worst = std::max(worst, std::abs(error));
                worst_deep =
                    std::max(worst_deep, std::abs(deep[4 * p + c] / 257.0 - exact[3 * p + c]));
                squares += error * error;
                const double apart = cut[4 * p + c] - exact[3 * p + c];
                squares_cut += apart * apart;
            }
        }
        const auto n = static_cast<double>(exact.size());
        const double psnr = 10 * std::log10(255.0 * 255.0 / (squares / n));
        const double psnr_cut = 10 * std::log10(255.0 * 255.0 / (squares_cut / n));
        INFO("bands " << bands << ": worst " << worst << " levels, " << psnr
                      << " dB (rounding alone: 58.9 dB); the hard cut: " << psnr_cut << " dB");
        CHECK(worst < 0.6);
        // The yardstick's samples are rounded to 1/32 level, half a level of 16 bits comes on top.
        CHECK(worst_deep < 0.05);
        // Rounding to whole levels has a variance of 1/12: 58.9 dB.
        CHECK(psnr > 58.5);
        CHECK(psnr_cut < 45);
    }
}
