/// align.html: the alignment as people judge it: figures, a map of the pairs, weak pairs with
/// crops. And align.json, the same for programs.
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
    std::string problem;  ///< why the set does not hold together; empty when it does
    /// Scene index of each of the report's frame_reports; empty: they are all frames, in order.
    std::vector<size_t> scene_index;
    /// Centre of each frame, degrees, and its size, for the map; by scene index; NaN: not placed.
    std::vector<double> yaw_deg, pitch_deg;
    std::vector<double> width_deg, height_deg;
    std::vector<PairCrops> crops;
};

/// The page as UTF-8 text, complete in itself. Its verdict: the set does not hold together (a
/// problem), it holds together with things to look at (low confidence, frames without a place, weak
/// pairs), or it holds together. Crops of pairs that do not exist are passed over. Throws
/// Error{internal} without a report, and when frame_reports cannot be told apart from the scene's
/// frames (another number, and no scene_index).
std::string make_align_page(const AlignPage& page);

/// align.json, UTF-8: every field of the report under its own name and in its order. Numbers that
/// are not finite become null, invalid UTF-8 is replaced.
std::string align_report_json(const AlignReport& report);

}  // namespace broadloom
