#include "gather/retakes.hpp"

#include <algorithm>
#include <map>
#include <utility>

namespace broadloom {

void choose_takes(std::span<const double> sharpness, std::vector<Placement>& frames) {
    // A take this much less sharp than the best was shaken or out of focus; smaller differences are
    // the scene's.
    constexpr double kBlurred = 0.8;
    const auto sharp = [&](size_t i) { return i < sharpness.size() ? sharpness[i] : 0.0; };
    std::map<std::pair<int64_t, int64_t>, std::vector<size_t>> takes;
    for (size_t i = 0; i < frames.size(); ++i) {
        if (frames[i].row && frames[i].column) {
            takes[{*frames[i].row, *frames[i].column}].push_back(i);
        }
    }
    for (const auto& [cell, of_cell] : takes) {
        if (of_cell.size() < 2) continue;
        const size_t latest = of_cell.back();
        const size_t sharpest =
            *std::max_element(of_cell.begin(), of_cell.end(),
                              [&](size_t a, size_t b) { return sharp(a) < sharp(b); });
        const bool latest_is_blurred =
            sharp(latest) > 0 && sharp(latest) < kBlurred * sharp(sharpest);
        const size_t kept = latest_is_blurred ? sharpest : latest;
        for (const size_t i : of_cell) {
            if (i == kept) continue;
            frames[i].left_out = true;
            frames[i].kept = kept;
            const bool blurred = sharp(i) > 0 && sharp(i) < kBlurred * sharp(kept);
            if (i > kept) {
                frames[i].reason = "blurred; an earlier take is sharper";
            } else {
                frames[i].reason = blurred ? "blurred; taken again later" : "taken again later";
            }
        }
    }
}

}  // namespace broadloom
