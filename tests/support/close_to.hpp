/// Comparison of doubles with a tolerance that is only what the test says.
#pragma once

#include <catch2/catch.hpp>

namespace broadloom::testing {

/// Catch's Approx accepts a relative difference of 1.2e-5 whatever margin is set, more than a
/// hundredth of a pixel on a picture of 1000. Here rounding noise alone is let through, and what
/// .margin() or .epsilon() add.
inline Approx close_to(double value) { return Approx(value).epsilon(1e-13); }

}  // namespace broadloom::testing
