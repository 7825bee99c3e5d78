/// From a scene to an aligned scene: the order of the steps, and what is written.
#include "broadloom/align.hpp"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

#include "align/align_page.hpp"
#include "align/crops.hpp"
#include "align/frame_set.hpp"
#include "align/joint_solve.hpp"
#include "align/left_out.hpp"
#include "align/level.hpp"
#include "align/moved.hpp"
#include "align/pair_search.hpp"
#include "align/photometric_solve.hpp"
#include "align/summary.hpp"
#include "base/file_io.hpp"
#include "base/parallel.hpp"
#include "base/process_memory.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"

namespace broadloom {
namespace {

/// What gathering found out beyond the scene's own keys.
struct GatherWords {
    double focal_sigma = 0.05;
    bool all_round = false;
};

GatherWords read_words(const Scene& scene) {
    GatherWords words;
    const auto extra = nlohmann::json::parse(scene.extra_json, nullptr, false);
    if (!extra.is_object() || !extra.contains("gather") || !extra["gather"].is_object()) {
        return words;
    }
    const auto& gather = extra["gather"];
    words.all_round = gather.contains("all_round") && gather["all_round"] == true;
    if (gather.contains("field_of_view") && gather["field_of_view"].is_object()) {
        for (const auto& view : gather["field_of_view"]) {
            if (view.is_object() && view.contains("sigma") && view["sigma"].is_number()) {
                words.focal_sigma =
                    std::clamp(std::max(words.focal_sigma, view["sigma"].get<double>()), 0.01, 0.3);
            }
        }
    }
    return words;
}

SolveInput solve_input(const Scene& scene, const FrameSet& set, const GatherWords& words) {
    SolveInput in;
    in.cameras = set.cameras;
    in.focal_sigma = words.focal_sigma;
    in.wraps = words.all_round;
    for (const AlignFrame& f : set.frames) {
        SolveFrame s;
        s.camera = f.camera;
        if (set.grid) {
            s.row = scene.frames[f.scene_index].row;
            s.column = scene.frames[f.scene_index].column;
        }
        s.predicted = f.predicted;
        in.frames.push_back(s);
    }
    return in;
}

/// Exposure and vignetting from the overlaps.
PhotometricResult solve_light(const FrameSet& set, const SolveResult& solution,
                              const AlignMemory& memory, const WorkHooks& hooks) {
    std::vector<FramePixels> scratch(static_cast<size_t>(memory.pair_workers));
    ImageCache<ColourImage> images(set.frames.size(), memory.colour_bytes,
                                   [&](size_t i, int worker) {
                                       const AlignFrame& f = set.frames[i];
                                       return read_light(f, reduction_for(f.info, kColourPixels),
                                                         scratch[static_cast<size_t>(worker)]);
                                   });
    constexpr double kLeastOverlap = 0.05;
    constexpr size_t kMostSamples = 150;
    const auto pairs = overlapping_pairs(set, solution.cameras, solution.rotations, kLeastOverlap);
    std::vector<std::vector<PhotometricSample>> found(pairs.size());
    WorkMeter meter("comparing exposure", pairs.size(), hooks);
    for_each_index(pairs.size(), memory.pair_workers, [&](size_t k, int worker) {
        const auto [a, b] = pairs[k];
        const auto image_a = images.get(a, worker);
        const auto image_b = images.get(b, worker);
        found[k] = sample_overlap(a, b, *image_a, *image_b, solution.cameras[set.frames[a].camera],
                                  solution.cameras[set.frames[b].camera], *solution.rotations[a],
                                  *solution.rotations[b], kMostSamples);
        meter.advance();
    });
    std::vector<PhotometricSample> samples;
    for (const auto& f : found) samples.insert(samples.end(), f.begin(), f.end());
    PhotometricInput in;
    in.frames = set.frames.size();
    for (const AlignFrame& f : set.frames) in.camera_of_frame.push_back(f.camera);
    in.cameras = set.cameras.size();
    in.samples = samples;
    return solve_photometry(in);
}

/// Levels the solution; the frames' rotations come back turned.
void level_solution(const Scene& scene, const FrameSet& set, double level_deg,
                    SolveResult& solution, Scene& out, std::vector<std::string>& notes) {
    std::vector<LevelFrame> frames;
    std::vector<Camera> cameras;
    for (size_t i = 0; i < set.frames.size(); ++i) {
        if (!solution.rotations[i]) continue;
        LevelFrame f;
        f.rotation = *solution.rotations[i];
        if (set.grid) {
            f.row = scene.frames[set.frames[i].scene_index].row;
            f.column = scene.frames[set.frames[i].scene_index].column;
        }
        frames.push_back(f);
        cameras.push_back(solution.cameras[set.frames[i].camera]);
    }
    const Rotation level = level_set(frames, level_deg);
    for (LevelFrame& f : frames) f.rotation = level * f.rotation;
    for (auto& r : solution.rotations) {
        if (r) r = level * *r;
    }
    std::string reason;
    out.canvas = {};
    out.canvas.pixels_per_degree = scene.canvas.pixels_per_degree;
    out.canvas.surface = choose_surface(frames, cameras, reason);
    notes.push_back(reason);
    if (scene.canvas.left_deg || scene.canvas.right_deg || scene.canvas.top_deg ||
        scene.canvas.bottom_deg) {
        notes.emplace_back(
            "the canvas is placed anew around the frames; the scene's own left_deg, right_deg, "
            "top_deg and bottom_deg are dropped");
    }
}

void write_solution(const FrameSet& set, const SolveResult& solution,
                    const std::optional<PhotometricResult>& light, Scene& out) {
    for (size_t c = 0; c < set.cameras.size(); ++c) {
        Camera camera = solution.cameras[c];
        if (light) camera.vignetting = light->vignetting[c];
        out.cameras[set.camera_names[c]] = camera;
    }
    for (size_t i = 0; i < set.frames.size(); ++i) {
        Frame& f = out.frames[set.frames[i].scene_index];
        if (light) f.gain = light->gains[i];
        if (!solution.rotations[i]) {
            f.yaw_deg.reset();
            f.pitch_deg.reset();
            f.placed_by.clear();
            continue;
        }
        const YawPitchRoll angles = yaw_pitch_roll(*solution.rotations[i]);
        f.yaw_deg = angles.yaw_deg;
        f.pitch_deg = angles.pitch_deg;
        f.roll_deg = angles.roll_deg;
        f.placed_by = solution.by_matches[i] ? "matches" : "head";
    }
}

/// The takes that are left out, placed by the levelled solution.
void write_left_out(const FrameSet& set, const std::vector<FeatureSet>& features,
                    const SolveResult& solution, const WorkHooks& hooks, Scene& out) {
    SolveResult finished = solution;
    std::vector<std::array<double, 3>> gains;
    for (size_t c = 0; c < set.cameras.size(); ++c) {
        finished.cameras[c] = out.cameras.at(set.camera_names[c]);
    }
    for (const AlignFrame& f : set.frames) gains.push_back(out.frames[f.scene_index].gain);
    for (const PlacedTake& take : place_left_out(out, set, features, finished, gains, hooks)) {
        Frame& f = out.frames[take.scene_index];
        const YawPitchRoll angles = yaw_pitch_roll(take.rotation);
        f.yaw_deg = angles.yaw_deg;
        f.pitch_deg = angles.pitch_deg;
        f.roll_deg = angles.roll_deg;
        f.gain = take.gain;
        f.placed_by = take.by_matches ? "matches" : "head";
    }
}

AlignPage page_of(const Scene& out, const FrameSet& set, const AlignReport& report,
                  const std::string& problem, std::vector<PairCrops> crops) {
    AlignPage page;
    page.problem = problem;
    for (const AlignFrame& f : set.frames) page.scene_index.push_back(f.scene_index);
    page.title = out.title;
    page.report = &report;
    page.crops = std::move(crops);
    const double none = std::nan("");
    for (const Frame& f : out.frames) {
        const Camera& c = out.cameras.at(f.camera);
        const bool shown = f.use && f.yaw_deg && f.pitch_deg;
        page.yaw_deg.push_back(shown ? *f.yaw_deg : none);
        page.pitch_deg.push_back(shown ? *f.pitch_deg : none);
        const auto angle = [&](int64_t pixels) {
            return 2 * std::atan(0.5 * static_cast<double>(pixels) / c.focal_px) * kDegPerRad;
        };
        page.width_deg.push_back(angle(c.width));
        page.height_deg.push_back(angle(c.height));
    }
    return page;
}

/// Why the set does not hold together; empty when it does.
std::string falls_apart(const AlignReport& report) {
    int64_t lost = 0;
    for (const FrameReport& f : report.frame_reports) lost += f.placed_by.empty() ? 1 : 0;
    if (report.placed_by_matches == 0) {
        return "no two frames could be matched: they may not overlap, show too little texture, or "
               "the field of view may be far off (give gather --focal-35mm)";
    }
    if (lost > 0 || (report.groups.size() > 1 && report.placed_by_head == 0 &&
                     report.frame_reports.size() > report.groups.front().size())) {
        std::string text = "the set falls into " + std::to_string(report.groups.size()) +
                           " groups that share no matches: ";
        constexpr size_t kShown = 4;
        for (size_t g = 0; g < std::min(kShown, report.groups.size()); ++g) {
            const auto& files = report.groups[g];
            text += (g == 0 ? "" : "; ") + std::to_string(files.size()) +
                    (files.size() == 1 ? " frame (" : " frames (from ") + escaped(files.front()) +
                    ")";
        }
        if (report.groups.size() > kShown) text += " and more";
        return text +
               "; what was solved is written; leave out frames that do not belong, or add "
               "frames that join the groups";
    }
    return {};
}

}  // namespace

AlignReport align(const AlignOptions& options, const WorkHooks& hooks) {
    if (options.threads < 0 || options.threads > 1024) {
        throw Error(ErrorCode::usage, "--threads: must be 1 to 1024");
    }
    if (!(std::abs(options.level_deg) <= 180)) {
        throw Error(ErrorCode::usage, "--level: must be -180 to 180 degrees");
    }
    start_frame_library();
    const int threads = options.threads > 0 ? options.threads : processor_count();
    const int64_t budget = options.memory_bytes.value_or(default_memory_budget());
    const Scene scene = read_scene(options.scene, SceneNeeds::anything);
    const std::string before = read_file_limited(options.scene, size_t{64} << 20U);
    const FrameSet set = open_frames(scene);
    const AlignMemory memory = divide_memory(set, threads, budget);

    if (hooks.note) {
        hooks.note(std::to_string(set.frames.size()) + " frames: aligning them takes about " +
                   format_duration(forecast_seconds(set, memory)) + " and at most " +
                   format_bytes(budget) + " of memory");
    }

    AlignReport report;
    Scene out = scene;
    std::vector<PairCrops> crops;
    std::optional<PhotometricResult> light;
    {
        std::vector<FramePixels> scratch(
            static_cast<size_t>(std::max(memory.feature_workers, memory.pair_workers)));
        ImageCache<GreyImage> greys(set.frames.size(), memory.grey_bytes,
                                    [&](size_t i, int worker) {
                                        const AlignFrame& f = set.frames[i];
                                        return read_grey(f.path, f.name, f.info, f.orientation,
                                                         reduction_for(f.info, kMeasurePixels),
                                                         scratch[static_cast<size_t>(worker)]);
                                    });
        const std::vector<FeatureSet> features = read_features(set, memory, greys, hooks);
        SolveInput in = solve_input(scene, set, read_words(scene));
        in.links = find_links(set, features, threads, hooks, report.notes);
        SolveResult solution = solve_jointly(in, threads, hooks);
        // From registrations a few pixels off to matches measured in the pictures themselves.
        std::vector<PairLink> links;
        for (const double share : {0.006, 0.002}) {
            double widest = 0;
            for (const Camera& c : set.cameras) {
                widest = std::max(widest, static_cast<double>(std::max(c.width, c.height)));
            }
            links = measure_links(set, features, solution, greys, std::max(3.0, share * widest),
                                  memory.pair_workers, hooks);
            if (links.empty()) break;
            in.links = links;
            solution = solve_again(solution, in, threads, hooks);
        }
        greys.clear();
        scratch.clear();
        drop_moved(set, solution, links);
        if (!links.empty()) {
            in.links = links;
            solution = solve_again(solution, in, threads, hooks);
        }
        level_solution(scene, set, options.level_deg, solution, out, report.notes);
        summarize(scene, set, solution, links, report);
        if (options.photometry) {
            light = solve_light(set, solution, memory, hooks);
            report.spread_before_stops = light->spread_before_stops;
            report.spread_after_stops = light->spread_after_stops;
        }
        write_solution(set, solution, light, out);
        write_left_out(set, features, solution, hooks, out);
        constexpr size_t kMostCrops = 8;
        crops = cut_crops(set, solution, links, report, kMostCrops, budget);
    }
    throw_if_stopped(hooks);

    report.scene_file = options.out.empty() ? options.scene : options.out;
    const std::filesystem::path folder = report.scene_file.parent_path();
    report.page = folder / "align.html";
    report.json = folder / "align.json";
    if (options.out.empty()) {
        std::filesystem::path old = options.scene;
        old += ".before";
        write_file_atomic(old, before);
    } else {
        // Relative files stay with the scene they were written in.
        for (Frame& f : out.frames) {
            const auto target = std::filesystem::weakly_canonical(scene.path_of(f));
            const auto base = std::filesystem::weakly_canonical(options.out).parent_path();
            const auto relative = target.lexically_relative(base);
            if (!std::filesystem::path(f.file).is_absolute() && !relative.empty()) {
                f.file = relative.native();
            }
        }
    }
    const std::string problem = falls_apart(report);
    write_file_atomic(report.json, align_report_json(report));
    write_file_atomic(report.page,
                      make_align_page(page_of(out, set, report, problem, std::move(crops))));
    write_scene(out, report.scene_file);
    if (!problem.empty()) {
        throw Error(ErrorCode::input, problem + "; see " + escaped(report.page.native()));
    }
    return report;
}

}  // namespace broadloom
