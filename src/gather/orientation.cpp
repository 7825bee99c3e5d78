/// One orientation for the set: the camera's own sensor of it flips at steep pitch.
#include <array>
#include <map>
#include <utility>

#include "base/text.hpp"
#include "gather/lock_check.hpp"

namespace broadloom {
namespace {

/// "6 (turned to the right)": what has to be done to the stored picture (Exif 2.3, tag 274).
std::string orientation_text(int orientation) {
    constexpr std::array<const char*, 9> kWords{"",
                                                "as stored",
                                                "mirrored",
                                                "upside down",
                                                "mirrored and upside down",
                                                "mirrored and turned to the left",
                                                "turned to the right",
                                                "mirrored and turned to the right",
                                                "turned to the left"};
    return std::to_string(orientation) + " (" + kWords[static_cast<size_t>(orientation)] + ")";
}

bool turned_only(int o) { return o == 1 || o == 3 || o == 6 || o == 8; }

int sound(int orientation) { return orientation >= 1 && orientation <= 8 ? orientation : 1; }

}  // namespace

std::vector<Finding> settle_orientation(std::vector<Photo>& photos, std::optional<int> wanted) {
    std::vector<Finding> findings;
    if (wanted) {
        for (Photo& p : photos) p.orientation = *wanted;
        return findings;
    }
    // Among frames of one stored size the order stays that of the set: ties go to the earlier.
    std::map<std::pair<int64_t, int64_t>, std::vector<size_t>> sizes;
    for (size_t i = 0; i < photos.size(); ++i) {
        photos[i].orientation = sound(photos[i].orientation);
        sizes[{photos[i].info.stored_width, photos[i].info.stored_height}].push_back(i);
    }
    std::vector<int> settled(photos.size());
    for (const auto& [size, members] : sizes) {
        std::array<size_t, 9> count{};
        for (const size_t i : members) ++count[static_cast<size_t>(photos[i].orientation)];
        int usual = photos[members.front()].orientation;
        for (const size_t i : members) {
            if (count[static_cast<size_t>(photos[i].orientation)] >
                count[static_cast<size_t>(usual)]) {
                usual = photos[i].orientation;
            }
        }
        // A mistake of a few: where frames stand every which way, each is believed. Cameras do not
        // write mirrored orientations, so those are somebody's intention.
        const bool clear = count[static_cast<size_t>(usual)] * 3 >= members.size() * 2;
        for (const size_t i : members) {
            const int own = photos[i].orientation;
            settled[i] = clear && turned_only(usual) && turned_only(own) ? usual : own;
        }
    }
    for (size_t i = 0; i < photos.size(); ++i) {
        Photo& p = photos[i];
        if (p.orientation == settled[i]) continue;
        findings.push_back(
            {p.name, "orientation", orientation_text(p.orientation), orientation_text(settled[i]),
             "the flag differs, as it does when the camera points steeply up or down; the frame is "
             "taken as the others are (--orientation overrides)"});
        p.orientation = settled[i];
    }
    return findings;
}

}  // namespace broadloom
