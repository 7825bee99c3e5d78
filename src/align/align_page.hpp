/// align.html: the alignment as people judge it: figures, a map of the pairs, weak pairs with
/// crops.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "broadloom/align.hpp"

namespace broadloom {

/// A weak or worst pair at 1:1: the same place cut from both frames, JPEG bytes.
struct PairCrops {
    size_t pair = 0;  ///< into AlignReport::pairs
    std::string jpeg_a, jpeg_b;
    int64_t width = 0, height = 0;
};

struct AlignPage {
    std::string title;
    const AlignReport* report = nullptr;
    /// Centre of each frame, degrees, and its size, for the map; by scene index; NaN: not placed.
    std::vector<double> yaw_deg, pitch_deg;
    std::vector<double> width_deg, height_deg;
    std::vector<PairCrops> crops;
};

std::string make_align_page(const AlignPage& page);

/// align.json, UTF-8.
std::string align_report_json(const AlignReport& report);

}  // namespace broadloom
