/// Limits that the format itself does not give, each far outside what a photograph needs:
/// - yaw within ten turns: a head that counts on past 360 is accepted, a unit mistake is not;
/// - pitch within +-180: a head that is tilted over the zenith reports more than 90;
/// - roll within one turn; gain up to 64 (six stops); row and column up to a million.
/// Whether left lies left of right, and how far, is the canvas's business.
#include <algorithm>
#include <utility>

#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/scene.hpp"
#include "scene/json_value.hpp"
#include "scene/mask_read.hpp"
#include "scene/object_reader.hpp"
#include "scene/problems.hpp"
#include "scene/scene_keys.hpp"

namespace broadloom {
namespace {

using Kind = JsonValue::Kind;

constexpr NumberRange kVersions{1, scene_file::kVersion};
constexpr NumberRange kPixels{1, 1e6, false, " pixels"};
constexpr NumberRange kFocal{0, 1e9, true, " pixels"};
constexpr NumberRange kPrincipalPoint{-1e9, 1e9, false, " pixels"};
constexpr NumberRange kCoefficient{-1e9, 1e9};
constexpr NumberRange kYaw{-3600, 3600, false, " degrees"};
constexpr NumberRange kPitch{-180, 180, false, " degrees"};
constexpr NumberRange kRoll{-360, 360, false, " degrees"};
constexpr NumberRange kLongitude{-3600, 3600, false, " degrees"};
constexpr NumberRange kLatitude{-90, 90, false, " degrees"};
constexpr NumberRange kResolution{0, 1e9, true, " pixels per degree"};
constexpr NumberRange kGain{0, 64, true};
constexpr NumberRange kPosition{0, 1e6};
constexpr NumberRange kOrientation{1, 8};

bool keep_verbatim(std::span<JsonValue* const> open, std::string_view key) {
    return open.size() == 1 && key == "extra";
}

/// Ends the reading when the text is no scene, or one that this program is too old for: then it
/// would only mislead to tell what else is unknown in it.
void refuse_other_formats(const JsonValue& root, const std::string& name, std::string_view text) {
    Problems only(name, text);
    const JsonValue* format = root.find("format");
    if (format != nullptr && format->kind == Kind::string && format->text != scene_file::kFormat) {
        only.add("format", format->offset,
                 "is \"" + escaped(format->text) + "\", but a scene's is \"" +
                     std::string(scene_file::kFormat) + "\"; give a scene file");
        only.throw_if_any();
    }
    const JsonValue* version = root.find("version");
    if (version != nullptr && version->kind == Kind::number &&
        version->number > scene_file::kVersion) {
        only.add("version", version->offset,
                 "is newer than " + std::to_string(scene_file::kVersion) +
                     ", the newest that this program reads; use a newer broadloom");
        only.throw_if_any();
    }
}

Camera read_camera(const JsonValue& value, std::string place, Problems& problems) {
    ObjectReader reader(value, std::move(place), scene_file::kCameraKeys, problems);
    Camera camera;
    camera.width = reader.integer("width", kPixels, true).value_or(camera.width);
    camera.height = reader.integer("height", kPixels, true).value_or(camera.height);
    camera.focal_px = reader.number("focal_px", kFocal, true).value_or(camera.focal_px);
    if (const auto point = reader.numbers<2>("principal_point_px", kPrincipalPoint)) {
        camera.principal_point_px = Vec2{(*point)[0], (*point)[1]};
    }
    camera.radial = reader.numbers<3>("radial", kCoefficient).value_or(camera.radial);
    camera.tangential = reader.numbers<2>("tangential", kCoefficient).value_or(camera.tangential);
    camera.vignetting = reader.numbers<3>("vignetting", kCoefficient).value_or(camera.vignetting);
    return camera;
}

CanvasRequest read_canvas(const JsonValue& value, Problems& problems) {
    ObjectReader reader(value, "canvas", scene_file::kCanvasKeys, problems);
    CanvasRequest canvas;
    if (reader.choice("surface", scene_file::kSurfaces) == size_t{1}) {
        canvas.surface = Surface::cylinder;
    }
    canvas.left_deg = reader.number("left_deg", kLongitude);
    canvas.right_deg = reader.number("right_deg", kLongitude);
    canvas.top_deg = reader.number("top_deg", kLatitude);
    canvas.bottom_deg = reader.number("bottom_deg", kLatitude);
    canvas.pixels_per_degree = reader.number("pixels_per_degree", kResolution);
    return canvas;
}

/// Reads frames one by one; knows what all of them are measured against.
class FrameReader {
  public:
    FrameReader(std::span<const std::string_view> cameras, SceneNeeds needs, Problems& problems)
        : cameras_(cameras), needs_(needs), problems_(problems) {}

    Frame read(const JsonValue& value, std::string place) {
        ObjectReader reader(value, std::move(place), scene_file::kFrameKeys, problems_);
        Frame frame;
        frame.file = reader.text("file", true).value_or("");
        if (const JsonValue* file = value.find("file");
            file != nullptr && file->kind == Kind::string &&
            (frame.file.empty() || frame.file.find('\0') != std::string::npos)) {
            reader.problem("file", "names no file; write the name of the frame's file");
        }
        frame.camera = read_camera_name(reader);
        frame.row = reader.integer("row", kPosition);
        frame.column = reader.integer("column", kPosition);
        frame.orientation = reader.integer("orientation", kOrientation);
        frame.yaw_deg = reader.number("yaw_deg", kYaw);
        frame.pitch_deg = reader.number("pitch_deg", kPitch);
        frame.roll_deg = reader.number("roll_deg", kRoll).value_or(frame.roll_deg);
        frame.gain = reader.numbers<3>("gain", kGain).value_or(frame.gain);
        frame.use = reader.choice("use", scene_file::kUses).value_or(0) == 0;
        frame.reason = reader.text("reason").value_or("");
        if (const auto placed = reader.choice("placed_by", scene_file::kPlacedBy)) {
            frame.placed_by = scene_file::kPlacedBy[*placed];
        }
        if (const JsonValue* masks = reader.member("masks", Kind::array)) {
            frame.masks = read_masks(*masks, reader.place_of("masks"), problems_);
        }
        if (frame.use && needs_ == SceneNeeds::orientations) {
            for (const std::string_view key : {"yaw_deg", "pitch_deg"}) {
                if (value.find(key) == nullptr) {
                    reader.problem(key,
                                   "is missing, and the frame is used; add it, or leave the frame "
                                   "out with \"use\": \"left out\"");
                }
            }
        }
        return frame;
    }

  private:
    std::string read_camera_name(ObjectReader& reader) {
        const std::optional<std::string> given = reader.text("camera", true);
        std::string name = given.value_or("");
        // With no camera at all that is the problem, and told already.
        if (given && !cameras_.empty() &&
            !std::binary_search(cameras_.begin(), cameras_.end(), name)) {
            const std::string near = suggestion(name, cameras_);
            reader.problem("camera", "is \"" + escaped(name) + "\", which \"cameras\" lacks" +
                                         (near.empty() ? "; add it there or correct it" : near));
        }
        return name;
    }

    std::span<const std::string_view> cameras_;  // sorted
    SceneNeeds needs_;
    Problems& problems_;
};

void read_cameras(ObjectReader& root, Scene& scene, Problems& problems) {
    const JsonValue* cameras = root.member("cameras", Kind::object, true);
    if (cameras == nullptr) {
        return;
    }
    if (cameras->items.empty()) {
        root.problem("cameras", "holds no camera; add one with width, height and focal_px");
    }
    for (const JsonValue& item : cameras->items) {
        const std::string place = place_of_key("cameras", item.key);
        if (item.kind != Kind::object) {
            problems.add(place, item.offset,
                         "must be an object, but is " + std::string(name_of(item.kind)) +
                             "; write the camera's width, height and focal_px there");
            scene.cameras.emplace(item.key, Camera{});
            continue;
        }
        scene.cameras.emplace(item.key, read_camera(item, place, problems));
    }
}

void read_frames(ObjectReader& root, SceneNeeds needs, Scene& scene, Problems& problems) {
    const JsonValue* frames = root.member("frames", Kind::array, true);
    if (frames == nullptr) {
        return;
    }
    if (frames->items.size() > scene_file::kMostFrames) {
        root.problem("frames",
                     "holds " + std::to_string(frames->items.size()) + " frames, but at most " +
                         std::to_string(scene_file::kMostFrames) + " are read; split the scene");
        return;
    }
    std::vector<std::string_view> cameras;
    cameras.reserve(scene.cameras.size());
    for (const auto& [name, camera] : scene.cameras) {
        cameras.push_back(name);
    }
    FrameReader reader(cameras, needs, problems);
    scene.frames.reserve(frames->items.size());
    bool any_used = false;
    for (size_t i = 0; i < frames->items.size(); ++i) {
        const JsonValue& item = frames->items[i];
        const std::string place = place_of_index("frames", i);
        if (item.kind != Kind::object) {
            problems.add(place, item.offset,
                         "must be an object, but is " + std::string(name_of(item.kind)) +
                             "; write the frame's file and camera there");
            any_used = true;  // perhaps; one problem is enough
            continue;
        }
        scene.frames.push_back(reader.read(item, place));
        any_used |= scene.frames.back().use;
    }
    if (needs == SceneNeeds::orientations && !any_used) {
        root.problem("frames", frames->items.empty()
                                   ? "holds no frame; add at least one"
                                   : "has only frames that are left out; use at least one");
    }
}

}  // namespace

std::filesystem::path Scene::path_of(const Frame& frame) const {
    // An absolute file replaces the folder.
    return folder / std::filesystem::path(frame.file);
}

Scene parse_scene(std::string_view text, const std::string& name, SceneNeeds needs) {
    Problems problems(name, text);
    if (text.size() > scene_file::kMostBytes) {
        problems.add("", 0,
                     "is larger than " +
                         format_bytes(static_cast<int64_t>(scene_file::kMostBytes)) +
                         ", the most that is read; check that it is a scene");
        problems.throw_if_any();
    }
    if (text.find_first_not_of(" \t\r\n") == std::string_view::npos) {
        problems.add("", 0, "is empty; give a scene file");
        problems.throw_if_any();
    }
    const JsonValue root = parse_json(text, keep_verbatim, problems);
    if (root.kind != Kind::object) {
        problems.add("", root.offset,
                     "must be a JSON object, but is " + std::string(name_of(root.kind)) +
                         "; give a scene file");
        problems.throw_if_any();
    }
    refuse_other_formats(root, name, text);
    ObjectReader reader(root, "", scene_file::kSceneKeys, problems);
    reader.text("format", true);
    reader.integer("version", kVersions, true);

    Scene scene;
    scene.title = reader.text("title").value_or("");
    scene.credit = reader.text("credit").value_or("");
    scene.rights = reader.text("rights").value_or("");
    if (const JsonValue* extra = reader.member("extra", Kind::object)) {
        scene.extra_json = extra->text;
    }
    read_cameras(reader, scene, problems);
    if (const JsonValue* canvas = reader.member("canvas", Kind::object)) {
        scene.canvas = read_canvas(*canvas, problems);
    }
    read_frames(reader, needs, scene, problems);
    problems.throw_if_any();
    return scene;
}

Scene read_scene(const std::filesystem::path& file, SceneNeeds needs) {
    const std::string text = read_file_limited(file, scene_file::kMostBytes);
    Scene scene = parse_scene(text, file.native(), needs);
    scene.folder = file.parent_path();
    return scene;
}

}  // namespace broadloom
