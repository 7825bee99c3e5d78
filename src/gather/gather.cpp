/// From files to a scene: the order of the steps, and what is written.
#include "broadloom/gather.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <utility>

#include "base/file_io.hpp"
#include "base/parallel.hpp"
#include "base/process_memory.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "gather/arrangement.hpp"
#include "gather/card.hpp"
#include "gather/contact_sheet.hpp"
#include "gather/field_of_view.hpp"
#include "gather/survey.hpp"
#include "io/web_text.hpp"

namespace broadloom {
namespace {

void check_options(const GatherOptions& o) {
    const auto refuse = [](const std::string& what) { throw Error(ErrorCode::usage, what); };
    constexpr int64_t kMost = 10000;
    if (o.inputs.empty()) refuse("gather: name a folder of photographs");
    if (o.out.empty()) refuse("--out: name the scene file to write, like scene.json");
    if (o.rows && (*o.rows < 1 || *o.rows > kMost)) refuse("--rows: must be 1 to 10000");
    if (o.columns && (*o.columns < 1 || *o.columns > kMost)) {
        refuse("--columns: must be 1 to 10000");
    }
    if (o.layout == Layout::loose && (o.rows || o.columns || o.order)) {
        refuse("--layout loose: a loose set has no --rows, --columns or --order; leave them out");
    }
    if (o.orientation && (*o.orientation < 1 || *o.orientation > 8)) {
        refuse("--orientation: must be an EXIF orientation, 1 to 8");
    }
    if (o.focal_35mm && !(*o.focal_35mm >= 1 && *o.focal_35mm <= 10000)) {
        refuse("--focal-35mm: must be 1 to 10000 mm");
    }
    if (o.sensor_mm) {
        for (const double side : *o.sensor_mm) {
            if (!(side >= 0.5 && side <= 500)) refuse("--sensor: sides must be 0.5 to 500 mm");
        }
    }
    if (o.threads < 0 || o.threads > 1024) refuse("--threads: must be 1 to 1024");
    std::error_code ignored;
    if (std::filesystem::is_directory(o.out, ignored)) {
        refuse("--out: " + escaped(o.out.native()) +
               " is a folder; name the scene file in it, like " +
               escaped((o.out / "scene.json").native()));
    }
    const std::filesystem::path folder = o.out.parent_path();
    if (!folder.empty() && !std::filesystem::is_directory(folder, ignored)) {
        refuse("--out: there is no folder " + escaped(folder.native()) + "; make it first");
    }
}

/// A path as the scene holds it: relative to the scene's folder where both have a common root.
std::string file_in_scene(const std::filesystem::path& frame, const std::filesystem::path& scene) {
    const auto base = std::filesystem::weakly_canonical(scene).parent_path();
    const auto relative = std::filesystem::weakly_canonical(frame).lexically_relative(base);
    return relative.empty() ? std::filesystem::absolute(frame).native() : relative.native();
}

std::string set_title(const GatherOptions& o) {
    std::filesystem::path p = std::filesystem::absolute(o.inputs.front()).lexically_normal();
    std::error_code ignored;
    if (!std::filesystem::is_directory(p, ignored)) p = p.parent_path();
    if (!p.has_filename()) p = p.parent_path();
    return repair_utf8(p.filename().native());
}

std::string first_names(const std::vector<std::string>& names) {
    constexpr size_t kShown = 6;
    std::string text;
    for (size_t i = 0; i < std::min(kShown, names.size()); ++i) {
        text += (i == 0 ? "" : ", ") + names[i];
    }
    if (names.size() > kShown) text += " and " + std::to_string(names.size() - kShown) + " more";
    return text;
}

std::string cell_name(const std::pair<int64_t, int64_t>& cell) {
    return "row " + std::to_string(cell.first) + " column " + std::to_string(cell.second);
}

/// Everything that is known of the set when the steps are through.
struct Set {
    std::string title;
    std::vector<Photo> photos;
    CameraGroups cameras;
    Survey survey;
    Arrangement grid;  ///< empty for a loose set
    std::vector<Finding> findings;
    std::vector<std::string> notes;
};

std::string reason_of(const Set& set, size_t i) {
    const Placement& p = set.grid.frames[i];
    if (!p.left_out || !p.kept) return p.reason;
    return p.reason + "; " + escaped(set.photos[*p.kept].name) + " is used";
}

std::string grid_size(const Arrangement& grid) {
    const auto [least, most] = std::minmax_element(grid.columns.begin(), grid.columns.end());
    if (grid.columns.empty()) return "no grid";
    const std::string rows = std::to_string(grid.rows) + (grid.rows == 1 ? " row" : " rows");
    if (*least == *most) return rows + " x " + std::to_string(*most) + " columns";
    return rows + " of " + std::to_string(*least) + " to " + std::to_string(*most) + " columns";
}

std::string extra_json(const Set& set) {
    std::string text = "{\"gather\": {";
    if (set.grid.rows > 0) {
        text += "\"order\": " + json_string(shoot_order_text(set.grid.order)) +
                ", \"step_right_deg\": " + json_number(set.grid.step_right_deg) +
                ", \"step_up_deg\": " + json_number(set.grid.step_up_deg) +
                ", \"all_round\": " + (set.grid.wraps ? "true" : "false") + ", ";
    }
    text += "\"field_of_view\": {";
    const char* separator = "";
    for (const auto& [key, view] : set.cameras.views) {
        text += separator + json_string(key) + ": {\"source\": " + json_string(view.source) +
                ", \"sigma\": " + json_number(view.sigma) + "}";
        separator = ", ";
    }
    return text + "}}}";
}

Scene scene_of(const GatherOptions& options, const Set& set) {
    Scene scene;
    scene.title = set.title;
    scene.extra_json = extra_json(set);
    scene.cameras = set.cameras.cameras;
    for (size_t i = 0; i < set.photos.size(); ++i) {
        const Photo& photo = set.photos[i];
        Frame f;
        f.file = file_in_scene(photo.frame_path, options.out);
        f.camera = set.cameras.key_of_photo[i];
        if (photo.orientation != photo.info.orientation) f.orientation = photo.orientation;
        if (set.grid.rows > 0) {
            const Placement& p = set.grid.frames[i];
            f.row = p.row;
            f.column = p.column;
            if (p.yaw_deg && p.pitch_deg) {
                f.yaw_deg = p.yaw_deg;
                f.pitch_deg = p.pitch_deg;
                f.placed_by = "head";
            }
            f.use = !p.left_out;
            if (p.left_out) f.reason = reason_of(set, i);
        }
        scene.frames.push_back(std::move(f));
    }
    return scene;
}

void write_contact_sheet(const std::filesystem::path& file, const Set& set,
                         const GatherReport& report, const std::string& problem) {
    ContactSheet sheet;
    sheet.title = set.title;
    sheet.summary =
        std::to_string(report.frames_used) + " frames" +
        (set.grid.rows > 0 ? " in " + grid_size(set.grid) : std::string()) +
        (report.frames_left_out > 0 ? ", " + std::to_string(report.frames_left_out) + " left out"
                                    : std::string());
    sheet.order = report.order;
    sheet.field_of_view = report.field_of_view_source;
    sheet.problem = problem;
    sheet.rows = set.grid.rows;
    for (const int64_t c : set.grid.columns) sheet.columns = std::max(sheet.columns, c);
    sheet.findings = set.findings;
    sheet.empty_cells = set.grid.empty_cells;
    sheet.notes = set.notes;
    std::multimap<std::string, size_t> by_frame;
    for (size_t i = 0; i < set.findings.size(); ++i) by_frame.emplace(set.findings[i].frame, i);
    for (size_t i = 0; i < set.photos.size(); ++i) {
        ContactFrame f;
        f.name = set.photos[i].name;
        f.time_text = set.photos[i].tags.time_text;
        const SurveyFrame& seen = set.survey.frames[i];
        f.jpeg = seen.thumbnail;
        f.width = seen.thumbnail_width;
        f.height = seen.thumbnail_height;
        if (set.grid.rows > 0) {
            const Placement& p = set.grid.frames[i];
            f.row = p.row;
            f.column = p.column;
            f.left_out = p.left_out;
            f.by_sequence = p.by_sequence;
            if (p.left_out) f.reason = reason_of(set, i);
        }
        const auto [first, last] = by_frame.equal_range(f.name);
        for (auto it = first; it != last; ++it) f.findings.push_back(it->second);
        sheet.frames.push_back(std::move(f));
    }
    write_file_atomic(file, make_contact_sheet(sheet));
}

/// Why the frames do not fill a grid, with every frame and cell concerned in the details.
Error incomplete(const Set& set, const std::filesystem::path& sheet) {
    std::vector<std::string> homeless;
    std::vector<std::string> empty;
    std::string details;
    for (const size_t i : set.grid.without_cell) {
        homeless.push_back(escaped(set.photos[i].name));
        details += "no cell for " + homeless.back() + "\n";
    }
    for (const auto& cell : set.grid.empty_cells) {
        empty.push_back(cell_name(cell));
        details += "no frame for " + empty.back() + "\n";
    }
    std::string message = set.grid.problem.empty()
                              ? "the frames do not fill a grid: give --rows, --columns or --order"
                              : set.grid.problem;
    while (!message.empty() && message.back() == '.') message.pop_back();
    if (!homeless.empty()) message += "; frames without a cell: " + first_names(homeless);
    if (!empty.empty()) message += "; cells without a frame: " + first_names(empty);
    message += "; look at " + escaped(sheet.native()) +
               "; a set without rows and columns takes --layout loose";
    return {ErrorCode::input, message, details};
}

Arrangement arrange_set(const GatherOptions& options, const Set& set) {
    ArrangementInput in;
    in.frames = set.photos.size();
    const Camera& camera = set.cameras.cameras.at(set.cameras.key_of_photo.front());
    const auto angle = [&](int64_t pixels) {
        return 2 * std::atan(0.5 * static_cast<double>(pixels) / camera.focal_px) * kDegPerRad;
    };
    in.width_deg = angle(camera.width);
    in.height_deg = angle(camera.height);
    in.displacements = displacements(set.survey);
    for (size_t i = 0; i < set.photos.size(); ++i) {
        in.times_s.push_back(set.photos[i].tags.time_s);
        in.sharpness.push_back(set.survey.frames[i].sharpness);
    }
    in.rows = options.rows;
    in.columns = options.columns;
    in.order = options.order;
    in.allow_gaps = options.allow_gaps;
    return arrange(in);
}

}  // namespace

GatherReport gather(const GatherOptions& options, const WorkHooks& hooks) {
    check_options(options);
    start_frame_library();
    const int threads = options.threads > 0 ? options.threads : processor_count();
    const int64_t memory = options.memory_bytes.value_or(default_memory_budget());
    Set set;
    set.title = options.title.empty() ? set_title(options) : repair_utf8(options.title);
    set.photos = read_card(options, threads, hooks, set.notes, set.findings);
    set.cameras = group_cameras(set.photos, options);
    develop_raws(set.photos, options.out, threads, memory, hooks, set.notes);
    for (const std::string& note : set.notes) {
        if (hooks.note) hooks.note(note);
    }
    std::vector<const Camera*> camera_of;
    for (const std::string& key : set.cameras.key_of_photo) {
        camera_of.push_back(&set.cameras.cameras.at(key));
    }
    set.survey = survey(set.photos, camera_of, threads, memory, hooks);

    GatherReport report;
    report.scene_file = options.out;
    report.contact_sheet = options.out.parent_path() / "contact.html";
    report.files = static_cast<int64_t>(set.photos.size());
    std::vector<bool> used(set.photos.size(), true);
    if (options.layout == Layout::grid) {
        set.grid = arrange_set(options, set);
        for (size_t i = 0; i < used.size(); ++i) used[i] = !set.grid.frames[i].left_out;
        report.rows = set.grid.rows;
        int64_t most = 0;
        for (const int64_t c : set.grid.columns) most = std::max(most, c);
        report.columns = most;
        if (set.grid.rows > 0) report.order = shoot_order_text(set.grid.order);
        for (const auto& cell : set.grid.empty_cells) report.gaps.push_back(cell_name(cell));
    }
    for (Finding& f : odd_frames(set.survey, set.photos, used)) {
        set.findings.push_back(std::move(f));
    }
    report.findings = set.findings;
    report.frames_used = std::count(used.begin(), used.end(), true);
    report.frames_left_out = report.files - report.frames_used;
    const Camera& main = set.cameras.cameras.at("main");
    report.field_of_view_deg =
        2 * std::atan(0.5 * static_cast<double>(main.width) / main.focal_px) * kDegPerRad;
    report.field_of_view_source = set.cameras.views.at("main").source;

    const bool holes = options.layout == Layout::grid && !set.grid.complete;
    if (holes && (!options.allow_gaps || set.grid.rows == 0)) {
        const Error error = incomplete(set, report.contact_sheet);
        write_contact_sheet(
            report.contact_sheet, set, report,
            set.grid.problem.empty() ? "the frames do not fill a grid" : set.grid.problem);
        throw Error(error);
    }
    throw_if_stopped(hooks);
    write_contact_sheet(report.contact_sheet, set, report, {});
    write_scene(scene_of(options, set), options.out);
    if (options.strict && !set.findings.empty()) {
        std::string details;
        for (const Finding& f : set.findings) {
            details += (f.frame.empty() ? "the set" : escaped(f.frame)) + ": " + f.what + " " +
                       escaped(f.value) + (f.usual.empty() ? "" : ", usual " + escaped(f.usual)) +
                       "\n";
        }
        throw Error(ErrorCode::input,
                    "--strict: " + std::to_string(set.findings.size()) +
                        " findings (listed above); scene and contact sheet are written; take the "
                        "frames again, leave them out, or go on without --strict",
                    details);
    }
    return report;
}

}  // namespace broadloom
