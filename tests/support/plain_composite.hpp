/// The yardstick of accuracy: a hard-cut composite of a scene made in memory in the straightforward
/// way, in double precision: frames decoded to RGB, each canvas pixel projected exactly into the
/// frame with the nearest axis, sampled bicubically, corrected in linear light, rounded.
#pragma once

#include "support/shoot.hpp"

namespace broadloom::test {

/// Every pixel of the canvas must be in some frame's view; throws std::runtime_error otherwise.
Picture plain_composite(const Scene& scene, const Canvas& canvas);

/// A piece of a picture; throws std::runtime_error when it does not lie inside.
Picture cropped(const Picture& picture, int64_t x, int64_t y, int64_t width, int64_t height);

}  // namespace broadloom::test
