#include "broadloom/photometry.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "support/close_to.hpp"

using namespace broadloom;
using broadloom::testing::close_to;

TEST_CASE("the curve has the standard's constants and end points", "[photometry]") {
    // IEC 61966-2-1: slope 12.92 up to 0.0031308 / 0.04045, then 1.055 x^(1/2.4) - 0.055.
    CHECK(srgb_decode(0) == 0);
    CHECK(srgb_decode(1) == close_to(1).margin(1e-15));
    CHECK(srgb_encode(1) == close_to(1).margin(1e-15));
    CHECK(srgb_decode(0.04045) == close_to(0.04045 / 12.92));
    CHECK(srgb_encode(0.0031308) == close_to(0.0031308 * 12.92));
    CHECK(srgb_decode(0.5) == close_to(std::pow(0.555 / 1.055, 2.4)));
    // The pieces meet within the rounding of the standard's constants.
    CHECK(srgb_decode(0.0404501) - srgb_decode(0.04045) == close_to(0).margin(1e-7));
}

TEST_CASE("shrinking in linear light gives the computed values", "[photometry]") {
    // Computed from IEC 61966-2-1: 2x2 {187, 0, 0, 0} -> 99, {255, 255, 0, 0} -> 188.
    CHECK(std::lround(255 * srgb_encode(srgb_decode(187 / 255.0) / 4)) == 99);
    CHECK(std::lround(255 * srgb_encode(srgb_decode(1.0) / 2)) == 188);
    CHECK(std::lround(187 / 4.0) == 47);  // averaging encoded values differs
}

TEST_CASE("decode and encode undo each other inside and beyond 0..1", "[photometry][property]") {
    for (double v = -0.5; v <= 4; v += 0.00371) {
        // At the joint the standard's rounded constants leave a step of 4e-8 or so.
        CHECK(srgb_encode(srgb_decode(v)) ==
              close_to(v).margin(v > 0.040 && v < 0.041 ? 1e-6 : 1e-13));
    }
    CHECK(srgb_decode(-0.1) == close_to(-0.1 / 12.92));
    CHECK(srgb_encode(2.0) == close_to(1.055 * std::pow(2.0, 1 / 2.4) - 0.055));
    CHECK(srgb_encode(2.0) > 1.3);
    // Negative control: a plain power curve is not it.
    CHECK(std::abs(std::pow(srgb_decode(0.5), 1 / 2.2) - 0.5) > 1e-3);
}

TEST_CASE("both directions rise everywhere", "[photometry][property]") {
    for (double v = -1; v < 3; v += 0.001) {
        CHECK(srgb_decode(v + 0.001) > srgb_decode(v));
        CHECK(srgb_encode(v + 0.001) > srgb_encode(v));
    }
}
