#include "io/colour_profile.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

#include "broadloom/photometry.hpp"
#include "image/srgb_light.hpp"
#include "io/frame_colours.hpp"
#include "io/output_profiles.hpp"
#include "support/made_up_profiles.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

struct Cell {
    alignas(64) float value[3][kCellArea];
};

/// 256 encoded colours, 0..255: the corners, greys, and others at random.
Cell colours(uint32_t seed) {
    Cell cell{};
    std::mt19937 random(seed);
    for (int i = 0; i < kCellArea; ++i) {
        for (int c = 0; c < 3; ++c) {
            float& v = cell.value[c][i];
            if (i < 8) {
                v = (i >> c & 1) != 0 ? 255.0F : 0.0F;
            } else if (i < 72) {
                v = static_cast<float>(i - 8) * (255.0F / 63.0F);
            } else {
                v = static_cast<float>(random() % 65536) * (255.0F / 65535.0F);
            }
        }
    }
    return cell;
}

void apply(const ColourStage& stage, Cell& cell, bool photometric = false,
           const std::array<float, 3>& gain = {1, 1, 1}) {
    CellSampler sampler;
    for (size_t c = 0; c < 3; ++c) sampler.gain_g[c] = gain[c];
    CellCoords coords{};
    for (auto& channel : coords.g) std::fill_n(channel, kCellArea, 1.0F);
    stage.apply(sampler, coords, photometric, cell.value[0], cell.value[1], cell.value[2], kCell);
}

/// What Little CMS makes of the colours: to its own profile of `target` (curve as sRGB), in
/// floating point, relative colorimetric; 0..255.
Cell by_lcms(const IccBytes& icc, const Chromaticities& target, const Cell& in, bool grey = false) {
    const LcmsProfile from(
        cmsOpenProfileFromMem(icc.data(), static_cast<cmsUInt32Number>(icc.size())));
    const IccBytes target_bytes = matrix_profile(target, 0, "target");
    const LcmsProfile to(cmsOpenProfileFromMem(target_bytes.data(),
                                               static_cast<cmsUInt32Number>(target_bytes.size())));
    REQUIRE(from != nullptr);
    cmsHTRANSFORM transform =
        cmsCreateTransform(from.get(), grey ? TYPE_GRAY_FLT : TYPE_RGB_FLT, to.get(), TYPE_RGB_FLT,
                           INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    REQUIRE(transform != nullptr);
    Cell out{};
    for (int i = 0; i < kCellArea; ++i) {
        float pixel[3];
        for (int c = 0; c < 3; ++c) pixel[c] = in.value[c][i] / 255.0F;
        float result[3];
        cmsDoTransform(transform, pixel, result, 1);
        for (int c = 0; c < 3; ++c) out.value[c][i] = result[c] * 255.0F;
    }
    cmsDeleteTransform(transform);
    return out;
}

/// Largest difference of what would be seen: both limited to 0..255.
double largest_difference(const Cell& a, const Cell& b) {
    double most = 0;
    for (int c = 0; c < 3; ++c) {
        for (int i = 0; i < kCellArea; ++i) {
            const float x = std::clamp(a.value[c][i], 0.0F, 255.0F);
            const float y = std::clamp(b.value[c][i], 0.0F, 255.0F);
            most = std::max(most, static_cast<double>(std::abs(x - y)));
        }
    }
    return most;
}

struct Working {
    ColourSpace space;
    Chromaticities xy;
};
const Working kWorking[] = {{ColourSpace::srgb, kSrgbXy},
                            {ColourSpace::display_p3, kP3Xy},
                            {ColourSpace::adobe_rgb, kAdobeXy}};

}  // namespace

TEST_CASE("colours come out as Little CMS has them", "[colour_profile]") {
    struct Sample {
        const char* name;
        IccBytes icc;
        double tolerance;  // levels of 8 bits
    };
    // Matrix profiles: primaries rounded to 1/65536, amplified by the curve's slope of 12.92 near
    // black; the wide gamut's matrix has entries up to 2. Little CMS rounds what version 2's
    // curves, tables of 16 bits, give to 16 bits of linear light.
    const Sample samples[] = {
        {"adobe", matrix_profile(kAdobeXy, 563.0 / 256, "Adobe RGB"), 0.1},
        {"p3", matrix_profile(kP3Xy, 0, "P3"), 0.1},
        {"p3, version 2", matrix_profile(kP3Xy, 0, "P3", 2.4), 0.2},
        {"wide, gamma 1.8", matrix_profile(kRommXy, 1.8, "Wide"), 0.2},
        {"swapped", swapped_profile(), 0.1},
        {"ours, adobe", output_profile(ColourSpace::adobe_rgb), 0.1},
        {"ours, p3", output_profile(ColourSpace::display_p3), 0.1},
        // 33 nodes of ours over 17 of the profile's, which Little CMS holds in 16 bits.
        {"table", table_profile(), 0.2},
    };
    for (const Sample& s : samples) {
        CAPTURE(s.name);
        const FrameColourProfile profile = read_colour_profile(s.icc, false);
        CHECK(profile.problem.empty());
        const bool table = std::string(s.name) == "table";
        CHECK((profile.kind == FrameColourProfile::Kind::table) == table);
        for (const Working& w : kWorking) {
            CAPTURE(static_cast<int>(w.space));
            const ColourStage stage(conversion_to(profile, w.space));
            CHECK(stage.corrects_light() == !table);
            Cell cell = colours(5);
            const Cell before = cell;
            apply(stage, cell);
            const Cell expected = by_lcms(s.icc, w.xy, before);
            CHECK(largest_difference(cell, expected) < s.tolerance);
            // Control: taken for sRGB the colours are far off, unless the two spaces are one.
            const double unconverted = largest_difference(before, expected);
            const bool same = (w.space == ColourSpace::display_p3 &&
                               std::string(s.name).find("p3") != std::string::npos);
            CHECK((unconverted > 5) == !same);
        }
    }
}

TEST_CASE("a grey curve is honoured", "[colour_profile]") {
    const IccBytes icc = grey_profile(1.4);
    const FrameColourProfile profile = read_colour_profile(icc, true);
    CHECK(profile.problem.empty());
    const ColourStage stage(conversion_to(profile, ColourSpace::srgb));
    Cell cell{};
    for (int i = 0; i < kCellArea; ++i) {
        for (auto& channel : cell.value) channel[i] = static_cast<float>(i);
    }
    const Cell before = cell;
    apply(stage, cell);
    CHECK(largest_difference(cell, by_lcms(icc, kSrgbXy, before, true)) < 0.1);
    CHECK(largest_difference(cell, before) > 20);
    // What a power says, from its definition.
    const double expected = 255 * srgb_encode(std::pow(100.0 / 255, 1.4));
    CHECK(std::abs(static_cast<double>(cell.value[1][100]) - expected) < 0.05);
}

TEST_CASE("sRGB is told by its numbers, not by its name", "[colour_profile]") {
    using Kind = FrameColourProfile::Kind;
    CHECK(read_colour_profile(output_profile(ColourSpace::srgb), false).kind == Kind::srgb);
    CHECK(read_colour_profile(matrix_profile(kSrgbXy, 0, "Monitor"), false).kind == Kind::srgb);
    const FrameColourProfile swapped = read_colour_profile(swapped_profile("sRGB"), false);
    CHECK(swapped.kind == Kind::matrix);
    CHECK(swapped.name == "sRGB");
    CHECK(read_colour_profile(matrix_profile(kSrgbXy, 2.2, "sRGB"), false).kind == Kind::matrix);
    CHECK(read_colour_profile(output_profile(ColourSpace::display_p3), false).kind == Kind::matrix);
}

TEST_CASE("profiles that cannot be used are read as sRGB and say why", "[colour_profile]") {
    const IccBytes good = matrix_profile(kAdobeXy, 2.2, "Good");
    CHECK(read_colour_profile(good, false).problem.empty());
    CHECK(read_colour_profile({}, false).problem == "it is damaged");
    CHECK(read_colour_profile(good, true).problem == "it is for RGB and the frame is grey");
    CHECK(read_colour_profile(grey_profile(2.2), false).problem ==
          "it is for grey and the frame is in colour");
    const LcmsProfile lab(cmsCreateLab4Profile(nullptr));
    CHECK_FALSE(read_colour_profile(saved(lab.get()), false).problem.empty());

    for (const IccBytes& whole : {good, table_profile(), grey_profile(2.2)}) {
        const bool grey = whole.size() == grey_profile(2.2).size();
        int refused = 0;
        for (size_t length = 0; length < whole.size(); length += whole.size() / 60 + 1) {
            const FrameColourProfile cut =
                read_colour_profile(std::span(whole).first(length), grey);
            refused += !cut.problem.empty();
            if (!cut.problem.empty()) {
                REQUIRE(cut.kind == FrameColourProfile::Kind::srgb);
            }
        }
        CHECK(refused > 30);
        // Random damage: refused or finite numbers, nothing worse.
        std::mt19937 random(1);
        for (int round = 0; round < 300; ++round) {
            IccBytes bad = whole;
            for (int k = 0; k < 6; ++k) {
                bad[random() % std::min<size_t>(bad.size(), 600)] = static_cast<uint8_t>(random());
            }
            const FrameColourProfile read = read_colour_profile(bad, grey);
            if (read.kind == FrameColourProfile::Kind::srgb) continue;
            const ColourConversion c = conversion_to(read, ColourSpace::srgb);
            for (const auto& curve : c.decode) {
                REQUIRE(std::all_of(curve.begin(), curve.end(),
                                    [](float v) { return std::isfinite(v); }));
            }
            REQUIRE(std::all_of(c.table.begin(), c.table.end(),
                                [](float v) { return std::isfinite(v); }));
        }
    }
}

TEST_CASE("light is corrected in linear light and the frame's own primaries", "[colour_stage]") {
    const FrameColourProfile profile =
        read_colour_profile(output_profile(ColourSpace::adobe_rgb), false);
    const ColourStage stage(conversion_to(profile, ColourSpace::srgb));
    const std::array<float, 3> gain{1.3F, 0.8F, 1.1F};
    Cell cell = colours(9);
    const Cell before = cell;
    apply(stage, cell, true, gain);
    const ColourMatrix m = colour_matrix(ColourSpace::adobe_rgb, ColourSpace::srgb);
    double most = 0;
    double without = 0;
    for (int i = 0; i < kCellArea; ++i) {
        double light[3];
        double plain[3];
        const float clipped =
            clipped_to_white(before.value[0][i], before.value[1][i], before.value[2][i]);
        for (int c = 0; c < 3; ++c) {
            plain[c] = std::pow(static_cast<double>(before.value[c][i]) / 255, 563.0 / 256);
            light[c] = plain[c] *
                       static_cast<double>(lifted_factor(gain[static_cast<size_t>(c)], clipped));
        }
        for (size_t c = 0; c < 3; ++c) {
            const auto encoded = [&](const double v[3]) {
                const double sum = m[3 * c] * v[0] + m[3 * c + 1] * v[1] + m[3 * c + 2] * v[2];
                return 255 * (sum < 0 ? -srgb_encode(-sum) : srgb_encode(sum));
            };
            const auto got = static_cast<double>(cell.value[c][i]);
            most = std::max(most, std::abs(got - encoded(light)));
            without = std::max(without, std::abs(got - encoded(plain)));
        }
    }
    CHECK(most < 0.02);  // beyond black and white, too
    CHECK(without > 10);
}

TEST_CASE("what is white in the file stays white under a factor below one", "[colour_stage]") {
    const FrameColourProfile profile =
        read_colour_profile(output_profile(ColourSpace::adobe_rgb), false);
    const ColourStage stage(conversion_to(profile, ColourSpace::srgb));
    Cell cell{};
    for (auto& channel : cell.value) std::fill_n(channel, kCellArea, 255.0F);
    for (auto& channel : cell.value) channel[1] = 200.0F;
    apply(stage, cell, true, {0.5F, 0.5F, 0.5F});
    for (const auto& channel : cell.value) {
        CHECK(std::abs(channel[0] - 255.0F) < 0.02F);
        CHECK(channel[1] < 160.0F);  // control: grey is halved
    }
}

TEST_CASE("the curve goes on above white and is odd below black", "[colour_stage]") {
    const SrgbLight& light = SrgbLight::tables();
    for (const double v : {1e-4, 0.003, 0.0032, 0.01, 0.5, 0.999, 1.0, 1.7, 9.0, 31.0}) {
        const double expected = 65535 * srgb_encode(v);
        const double got = light.to_code_unlimited(static_cast<float>(v));
        CHECK(std::abs(got - expected) < 0.05 * std::max(1.0, srgb_encode(v)));
        CHECK(light.to_code_unlimited(static_cast<float>(-v)) == -static_cast<float>(got));
    }
    CHECK(std::isfinite(light.to_code_unlimited(1e30F)));
    // A stage between equal spaces gives back what came in.
    ColourConversion same;
    same.decode.fill(srgb_decode_curve());
    const ColourStage stage(same);
    Cell cell{};
    for (int i = 0; i < kCellArea; ++i) {
        for (auto& channel : cell.value) channel[i] = static_cast<float>(i) * 1.2F - 20.0F;
    }
    const Cell before = cell;
    apply(stage, cell);
    for (int i = 0; i < kCellArea; ++i) {
        const float v = before.value[0][i];
        // Within the range to a thousandth of a 16-bit step's 257th of a level; above white the
        // decode curve goes on straight, the encode one does not.
        const double tolerance = v <= 255 ? 0.001 : 3.0;
        CHECK(std::abs(static_cast<double>(cell.value[0][i] - v)) < tolerance);
    }
}

TEST_CASE("frames with one profile share one stage and one copy of its bytes", "[frame_colours]") {
    FrameColours colours_of(ColourSpace::srgb);
    const auto frame = [](const IccBytes& icc) {
        FrameInfo info;
        if (!icc.empty()) info.icc = std::make_shared<const std::vector<uint8_t>>(icc);
        return info;
    };
    FrameInfo a = frame(matrix_profile(kAdobeXy, 2.2, "One"));
    FrameInfo b = frame(matrix_profile(kAdobeXy, 2.2, "One"));
    FrameInfo c = frame(matrix_profile(kP3Xy, 2.2, "Two"));
    FrameInfo plain = frame({});
    FrameInfo srgb = frame(output_profile(ColourSpace::srgb));
    FrameInfo junk = frame({1, 2, 3});
    FrameInfo table = frame(table_profile());
    CHECK(a.icc != b.icc);
    const auto stage = colours_of.add(a);
    REQUIRE(stage != nullptr);
    CHECK(colours_of.add(b) == stage);
    CHECK(a.icc == b.icc);
    const auto other = colours_of.add(c);
    CHECK(other != nullptr);
    CHECK(other != stage);
    CHECK(colours_of.add(plain) == nullptr);
    CHECK(colours_of.add(srgb) == nullptr);
    CHECK(colours_of.add(junk) == nullptr);
    CHECK(colours_of.add(table) != nullptr);
    const std::vector<std::string> notes = colours_of.notes();
    REQUIRE(notes.size() == 4);
    CHECK(notes[0] == "2 frames carry the colour profile \"One\"; they are converted");
    CHECK(notes[1].find("\"Table\"; it is converted by its table") != std::string::npos);
    CHECK(notes[2] == "1 frame carries the colour profile \"Two\"; it is converted");
    CHECK(notes[3].find("cannot be used (it is damaged); it is read as sRGB") != std::string::npos);

    // In a wider working space sRGB frames are converted, too, all by one stage.
    FrameColours wide(ColourSpace::adobe_rgb);
    const auto srgb_stage = wide.add(plain);
    REQUIRE(srgb_stage != nullptr);
    FrameInfo plain2 = frame({});
    CHECK(wide.add(plain2) == srgb_stage);
    CHECK(wide.notes().empty());
}
