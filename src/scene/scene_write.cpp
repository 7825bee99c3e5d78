#include <array>
#include <charconv>
#include <cmath>
#include <nlohmann/json.hpp>
#include <span>
#include <utility>

#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/scene.hpp"
#include "scene/json_value.hpp"
#include "scene/problems.hpp"
#include "scene/scene_keys.hpp"

namespace broadloom {
namespace {

std::string number_json(double value, const std::string& place) {
    if (!std::isfinite(value)) {
        throw Error(ErrorCode::internal,
                    place + ": is not a finite number and cannot be written; report this fault");
    }
    std::array<char, 32> buffer{};
    const auto result = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
    return {buffer.data(), result.ptr};
}

std::string numbers_json(std::span<const double> values, const std::string& place) {
    std::string text = "[";
    for (size_t i = 0; i < values.size(); ++i) {
        text += (i == 0 ? "" : ", ") + number_json(values[i], place);
    }
    return text + "]";
}

std::string text_json(const std::string& value, const std::string& place) {
    if (valid_utf8_prefix(value) < value.size()) {
        throw Error(ErrorCode::input, place + ": \"" + escaped(value) +
                                          "\" is not UTF-8 and a scene cannot hold it; rename it");
    }
    return json_quoted(value);
}

/// Checks compact JSON text that is written as it is.
const std::string& verbatim_json(const std::string& text, char bracket, const std::string& place) {
    if (text.empty() || text.front() != bracket || !nlohmann::json::accept(text)) {
        throw Error(ErrorCode::internal,
                    place +
                        ": is not JSON of the right kind and cannot be written; report this "
                        "fault");
    }
    return text;
}

/// The members of an object, on one or more lines.
class Members {
  public:
    /// `line_break` separates lines: a newline and the indentation.
    Members(std::string place, std::string line_break)
        : place_(std::move(place)), line_break_(std::move(line_break)) {}

    void number(std::string_view key, double value) { add(key, number_json(value, place(key))); }
    void number(std::string_view key, const std::optional<double>& value) {
        if (value) {
            number(key, *value);
        }
    }
    void integer(std::string_view key, const std::optional<int64_t>& value) {
        if (value) {
            add(key, std::to_string(*value));
        }
    }
    void numbers(std::string_view key, std::span<const double> values) {
        add(key, numbers_json(values, place(key)));
    }
    void text(std::string_view key, const std::string& value) {
        add(key, text_json(value, place(key)));
    }
    void verbatim(std::string_view key, const std::string& value, char bracket) {
        add(key, verbatim_json(value, bracket, place(key)));
    }
    /// A value in JSON already.
    void json(std::string_view key, const std::string& value) { add(key, value); }
    /// The next member begins a line.
    void new_line() { breaking_ = true; }
    [[nodiscard]] std::string done() const { return "{" + text_ + "}"; }

  private:
    [[nodiscard]] std::string place(std::string_view key) const {
        return place_of_key(place_, key);
    }
    void add(std::string_view key, std::string_view value) {
        if (!text_.empty()) {
            text_ += breaking_ ? "," + line_break_ : ", ";
        }
        breaking_ = false;
        text_.append("\"").append(key).append("\": ").append(value);
    }

    std::string place_, line_break_, text_;
    bool breaking_ = false;
};

std::string camera_json(const Camera& camera, const std::string& place) {
    Members members(place, "\n             ");
    members.integer("width", camera.width);
    members.integer("height", camera.height);
    members.number("focal_px", camera.focal_px);
    members.new_line();
    if (camera.principal_point_px) {
        members.numbers("principal_point_px",
                        std::array{camera.principal_point_px->x, camera.principal_point_px->y});
        members.new_line();
    }
    members.numbers("radial", camera.radial);
    members.numbers("tangential", camera.tangential);
    members.numbers("vignetting", camera.vignetting);
    return members.done();
}

std::string canvas_json(const CanvasRequest& canvas) {
    Members members("canvas", "\n             ");
    members.text("surface",
                 std::string(scene_file::kSurfaces[canvas.surface == Surface::cylinder ? 1 : 0]));
    members.number("left_deg", canvas.left_deg);
    members.number("right_deg", canvas.right_deg);
    members.number("top_deg", canvas.top_deg);
    members.number("bottom_deg", canvas.bottom_deg);
    members.new_line();
    members.number("pixels_per_degree", canvas.pixels_per_degree);
    return members.done();
}

/// A mask a line.
std::string masks_json(const std::vector<FrameMask>& masks, const std::string& place) {
    std::string text = "[";
    for (size_t i = 0; i < masks.size(); ++i) {
        const std::string here = place_of_index(place, i);
        text += i == 0 ? "" : ",\n               ";
        text +=
            "{\"kind\": " +
            text_json(
                std::string(scene_file::kMaskKinds[masks[i].kind == FrameMask::Kind::keep ? 1 : 0]),
                here) +
            ", \"outline_px\": [";
        const std::vector<Vec2>& outline = masks[i].outline_px;
        for (size_t k = 0; k < outline.size(); ++k) {
            text +=
                (k == 0 ? "" : ", ") + numbers_json(std::array{outline[k].x, outline[k].y}, here);
        }
        text += "]}";
    }
    return text + "]";
}

std::string frame_json(const Frame& frame, const std::string& place) {
    Members members(place, "\n     ");
    members.text("file", frame.file);
    members.integer("row", frame.row);
    members.integer("column", frame.column);
    members.text("camera", frame.camera);
    members.integer("orientation", frame.orientation);
    members.new_line();
    members.number("yaw_deg", frame.yaw_deg);
    members.number("pitch_deg", frame.pitch_deg);
    members.number("roll_deg", frame.roll_deg);
    members.numbers("gain", frame.gain);
    members.text("use", std::string(frame.use ? scene_file::kUseYes : scene_file::kUseLeftOut));
    if (!frame.reason.empty()) {
        members.text("reason", frame.reason);
    }
    if (!frame.placed_by.empty()) {
        members.text("placed_by", frame.placed_by);
    }
    if (!frame.masks.empty()) {
        members.new_line();
        members.json("masks", masks_json(frame.masks, place_of_key(place, "masks")));
    }
    return members.done();
}

}  // namespace

std::string scene_to_json(const Scene& scene) {
    Members head("", "\n  ");
    head.text("format", std::string(scene_file::kFormat));
    head.integer("version", scene_file::kVersion);
    head.new_line();
    head.text("title", scene.title);
    head.text("credit", scene.credit);
    head.text("rights", scene.rights);
    head.new_line();
    head.verbatim("extra", scene.extra_json, '{');
    std::string text = head.done();
    text.pop_back();  // the closing brace comes at the end
    text.insert(1, "\n  ");

    text += ",\n  \"cameras\": {";
    const char* separator = "\n    ";
    for (const auto& [name, camera] : scene.cameras) {
        const std::string place = place_of_key("cameras", name);
        text += separator + text_json(name, place) + ": " + camera_json(camera, place);
        separator = ",\n    ";
    }
    text += "\n  },\n  \"canvas\": " + canvas_json(scene.canvas) + ",\n  \"frames\": [";
    separator = "\n    ";
    for (size_t i = 0; i < scene.frames.size(); ++i) {
        text += separator + frame_json(scene.frames[i], place_of_index("frames", i));
        separator = ",\n    ";
    }
    return text + "\n  ]\n}\n";
}

void write_scene(const Scene& scene, const std::filesystem::path& file) {
    write_file_atomic(file, scene_to_json(scene));
}

}  // namespace broadloom
