#include "gather/field_of_view.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <tuple>
#include <utility>

#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {
namespace {

/// Of a 36 x 24 mm frame; "35-mm equivalent" compares diagonals (CIPA DCG-001).
constexpr double kDiagonal35mm = 43.266615;

struct Size {
    double width = 0, height = 0;
    [[nodiscard]] double diagonal() const { return std::hypot(width, height); }
    [[nodiscard]] double longer() const { return std::max(width, height); }
};

Size stored_size(const Photo& photo) {
    return {static_cast<double>(photo.info.stored_width),
            static_cast<double>(photo.info.stored_height)};
}

/// The picture that the camera's tags speak of, in this file's pixels: the frame itself, resized or
/// not, or the larger one that it was cut from.
struct Whole {
    double diagonal_px = 0, longer_px = 0;
    bool cut = false;
};

Whole whole_of(const Photo& photo) {
    const Size stored = stored_size(photo);
    Whole whole{stored.diagonal(), stored.longer(), false};
    if (!photo.tags.exif_width || !photo.tags.exif_height) return whole;
    Size said{static_cast<double>(*photo.tags.exif_width),
              static_cast<double>(*photo.tags.exif_height)};
    if ((said.width > said.height) != (stored.width > stored.height)) {
        std::swap(said.width, said.height);
    }
    constexpr double kOtherShape = 0.02;
    const double shape = (said.width / said.height) / (stored.width / stored.height);
    // Another shape and no more pixels than the tags say: cut out, pixels the same size.
    if (std::abs(shape - 1) > kOtherShape && said.width >= stored.width &&
        said.height >= stored.height) {
        whole = {said.diagonal(), said.longer(), true};
    }
    return whole;
}

std::string mm(double value) {
    char text[40];
    std::snprintf(text, sizeof text, "%.4g mm", value);
    return text;
}

FieldOfView from_35mm(const Whole& whole, double focal_35mm, const std::string& source) {
    // Common practice: cameras round to whole millimetres and lenses differ from what is engraved
    // by a percent or two.
    constexpr double kSigma = 0.02;
    return {focal_35mm / kDiagonal35mm * whole.diagonal_px, std::max(kSigma, 0.5 / focal_35mm),
            source};
}

}  // namespace

std::optional<FieldOfView> field_of_view(const Photo& photo, const GatherOptions& options) {
    const PhotoTags& tags = photo.tags;
    const Whole whole = whole_of(photo);
    const std::string cut = whole.cut ? "; the frame was cut out of a larger one" : "";
    if (options.focal_35mm) {
        return from_35mm(whole, *options.focal_35mm,
                         "--focal-35mm " + mm(*options.focal_35mm) + cut);
    }
    if (options.sensor_mm) {
        if (!tags.focal_mm) return std::nullopt;
        const double diagonal = std::hypot((*options.sensor_mm)[0], (*options.sensor_mm)[1]);
        return FieldOfView{
            *tags.focal_mm / diagonal * whole.diagonal_px, 0.02,
            "--sensor and the focal length in the frames, " + mm(*tags.focal_mm) + cut};
    }
    if (tags.focal_35mm) {
        return from_35mm(whole, *tags.focal_35mm,
                         "the 35-mm equivalent focal length in the frames, " +
                             mm(*tags.focal_35mm) + " (by diagonal)" + cut);
    }
    if (!tags.focal_mm) return std::nullopt;
    const auto crop = crop_factor_of(tags.make, tags.model);
    // Focal-plane pixels are those of the unresized picture. Programs that resize often correct the
    // size in the tags and not this one: where the camera's sensor is known it has the last word.
    if (tags.focal_plane_x_per_mm) {
        const Size stored = stored_size(photo);
        double said = stored.longer();
        if (tags.exif_width && tags.exif_height && !whole.cut) {
            said = static_cast<double>(std::max(*tags.exif_width, *tags.exif_height));
        }
        const double sensor_mm = said / *tags.focal_plane_x_per_mm;
        constexpr double kSmallest = 2;
        constexpr double kLargest = 200;
        // Long sides of sensors are 0.80 to 0.89 of the diagonal (4:3 to 16:9).
        const double known_mm = crop ? 0.83 * kDiagonal35mm / *crop : sensor_mm;
        constexpr double kAgree = 0.15;
        if (sensor_mm > kSmallest && sensor_mm < kLargest &&
            std::abs(sensor_mm / known_mm - 1) < kAgree) {
            return FieldOfView{*tags.focal_mm * *tags.focal_plane_x_per_mm * stored.longer() / said,
                               0.03,
                               "the focal length and focal-plane resolution in the frames, " +
                                   mm(*tags.focal_mm) + cut};
        }
    }
    if (crop) {
        return FieldOfView{*tags.focal_mm * *crop / kDiagonal35mm * whole.diagonal_px, 0.03,
                           "the focal length in the frames, " + mm(*tags.focal_mm) +
                               ", and the sensor of the " + escaped(tags.model) +
                               " in the lens database" + cut};
    }
    return std::nullopt;
}

namespace {

[[noreturn]] void throw_unknown_view(const Photo& photo, const GatherOptions& options) {
    const PhotoTags& tags = photo.tags;
    std::string why = "the file says neither focal length nor sensor";
    std::string advice = "give the 35-mm equivalent focal length with --focal-35mm MM";
    if (options.sensor_mm) {
        why = "--sensor needs the focal length, which is not in the file";
    } else if (tags.focal_mm) {
        why = "the focal length is " + mm(*tags.focal_mm) + ", but the sensor of the " +
              (tags.model.empty() ? "camera" : escaped(tags.model)) + " is not known";
        advice =
            "give the sensor's size with --sensor, or the 35-mm equivalent focal length "
            "with --focal-35mm MM";
    }
    throw Error(ErrorCode::input,
                escaped(photo.name) + ": its field of view is not known: " + why + "; " + advice);
}

}  // namespace

CameraGroups group_cameras(const std::vector<Photo>& photos, const GatherOptions& options) {
    using Key = std::tuple<std::string, std::string, int64_t, int64_t, int64_t>;
    const auto upright = [](const Photo& p) {
        FrameInfo info = p.info;
        info.orientation = p.orientation;
        return std::pair(info.upright_width(), info.upright_height());
    };
    const auto key_of = [&](const Photo& p) {
        const auto [width, height] = upright(p);
        // Tags round focal lengths; a hundredth of a millimetre is the same one.
        const double focal = p.tags.focal_mm.value_or(p.tags.focal_35mm.value_or(0));
        return Key{p.tags.make, p.tags.model, width, height, std::llround(100 * focal)};
    };
    std::vector<std::pair<Key, std::vector<size_t>>> groups;
    for (size_t i = 0; i < photos.size(); ++i) {
        const Key key = key_of(photos[i]);
        const auto found = std::find_if(groups.begin(), groups.end(),
                                        [&](const auto& g) { return g.first == key; });
        if (found == groups.end()) {
            groups.push_back({key, {i}});
        } else {
            found->second.push_back(i);
        }
    }
    std::stable_sort(groups.begin(), groups.end(), [](const auto& a, const auto& b) {
        return a.second.size() > b.second.size();
    });
    static constexpr const char* kNames[] = {"main",  "second", "third",   "fourth",
                                             "fifth", "sixth",  "seventh", "eighth"};
    CameraGroups result;
    result.key_of_photo.resize(photos.size());
    std::optional<FieldOfView> usual;
    for (size_t g = 0; g < groups.size(); ++g) {
        // Some frames may have lost the equivalent that the others of the camera tell.
        const std::vector<size_t>& members = groups[g].second;
        const auto told = std::find_if(members.begin(), members.end(), [&](size_t i) {
            return photos[i].tags.focal_35mm.has_value();
        });
        const Photo& first = photos[told == members.end() ? members.front() : *told];
        const std::string name =
            g < std::size(kNames) ? kNames[g] : "camera " + std::to_string(g + 1);
        std::optional<FieldOfView> view = field_of_view(first, options);
        const auto [width, height] = upright(first);
        if (!view && usual) {
            // A frame whose tags were lost, among others of the same size. One that names another
            // camera or a focal length of its own has another field of view.
            const Camera& main = result.cameras.at("main");
            const PhotoTags& others = photos[groups.front().second.front()].tags;
            const bool lost = !first.tags.focal_mm && !first.tags.focal_35mm &&
                              (first.tags.model.empty() || (first.tags.make == others.make &&
                                                            first.tags.model == others.model));
            if (lost && std::minmax(width, height) == std::minmax(main.width, main.height)) {
                view = usual;
                view->source += " (taken over from the other frames)";
            }
        }
        if (!view) {
            throw_unknown_view(first, options);
        }
        if (g == 0) usual = view;
        Camera camera;
        camera.width = width;
        camera.height = height;
        camera.focal_px = view->focal_px;
        result.cameras[name] = camera;
        result.views[name] = *view;
        for (const size_t i : groups[g].second) result.key_of_photo[i] = name;
    }
    return result;
}

}  // namespace broadloom
