#include "scene/mask_read.hpp"

#include <algorithm>

#include "scene/object_reader.hpp"
#include "scene/scene_keys.hpp"

namespace broadloom {
namespace {

using Kind = JsonValue::Kind;

/// Ten times the largest frame either way: whoever draws over the frame's edge stays far within.
constexpr NumberRange kPoint{-1e7, 1e7, false, " pixels"};

std::optional<Vec2> read_point(const JsonValue& value, const std::string& place,
                               Problems& problems) {
    if (value.kind != Kind::array) {
        problems.add(place, value.offset, wrong_kind("a point [x, y]", value.kind));
        return std::nullopt;
    }
    if (value.items.size() != 2) {
        problems.add(place, value.offset,
                     "must be a point [x, y], but holds " + std::to_string(value.items.size()) +
                         " values; correct it");
        return std::nullopt;
    }
    bool good = true;
    for (size_t i = 0; i < 2; ++i) {
        good &= check_number(value.items[i], place_of_index(place, i), kPoint, problems);
    }
    if (!good) return std::nullopt;
    return Vec2{value.items[0].number, value.items[1].number};
}

/// `points_before`: points of the frame's earlier outlines, counted on.
FrameMask read_mask(const JsonValue& value, const std::string& place, size_t& points_before,
                    Problems& problems) {
    ObjectReader reader(value, place, scene_file::kMaskKeys, problems);
    FrameMask mask;
    if (reader.choice("kind", scene_file::kMaskKinds, true) == size_t{1}) {
        mask.kind = FrameMask::Kind::keep;
    }
    const JsonValue* outline = reader.member("outline_px", Kind::array, true);
    if (outline == nullptr) return mask;
    const size_t count = outline->items.size();
    if (count < 3) {
        reader.problem("outline_px", "has " + std::to_string(count) +
                                         (count == 1 ? " point" : " points") +
                                         ", but an outline needs at least 3; add some or delete "
                                         "the mask");
    }
    points_before += std::min(count, scene_file::kMostMaskPoints + 1);
    if (points_before > scene_file::kMostMaskPoints) {
        reader.problem("outline_px", "has " + std::to_string(count) +
                                         (count == 1 ? " point" : " points") +
                                         "; a frame's outlines may have " +
                                         std::to_string(scene_file::kMostMaskPoints) +
                                         " together; draw it with fewer");
        return mask;
    }
    mask.outline_px.reserve(count);
    for (size_t i = 0; i < count; ++i) {
        const auto point = read_point(outline->items[i],
                                      place_of_index(reader.place_of("outline_px"), i), problems);
        if (point) mask.outline_px.push_back(*point);
    }
    return mask;
}

}  // namespace

std::vector<FrameMask> read_masks(const JsonValue& array, const std::string& place,
                                  Problems& problems) {
    std::vector<FrameMask> masks;
    size_t points = 0;
    for (size_t i = 0; i < array.items.size(); ++i) {
        const JsonValue& item = array.items[i];
        const std::string here = place_of_index(place, i);
        if (item.kind != Kind::object) {
            problems.add(here, item.offset, wrong_kind("an object", item.kind));
            continue;
        }
        masks.push_back(read_mask(item, here, points, problems));
    }
    return masks;
}

}  // namespace broadloom
