/// Scale-invariant features (D. Lowe, IJCV 2004, through OpenCV) in reduced frames.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "broadloom/rotation.hpp"
#include "match/reduced_frame.hpp"

namespace broadloom {

inline constexpr size_t kDescriptorBytes = 128;

struct Feature {
    float x = 0, y = 0;  ///< full-size upright frame pixels
    float size = 0;      ///< diameter, full-size pixels
    float angle_deg = 0;
    float response = 0;
};

struct FeatureSet {
    int64_t width = 0, height = 0;  ///< full-size upright frame
    std::vector<Feature> points;
    std::vector<uint8_t> descriptors;  ///< kDescriptorBytes a point
};

/// At most `most` features, spread evenly over the frame (a quota a cell, unused quota goes to the
/// strongest of the others). Works in pieces, so that its memory does not grow with the frame;
/// positions are free of the library's upscaling shift. Deterministic.
FeatureSet find_features(const GreyImage& grey, int64_t full_width, int64_t full_height,
                         size_t most);

/// Memory that find_features takes besides its input.
size_t feature_work_bytes();

}  // namespace broadloom
