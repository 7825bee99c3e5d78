#include "render/job.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "base/errors.hpp"
#include "base/file_io.hpp"
#include "base/fingerprint.hpp"
#include "base/parallel.hpp"
#include "base/process_memory.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "canvas/crop.hpp"
#include "io/frame_colours.hpp"
#include "render/area.hpp"
#include "render/resources.hpp"
#include "render/settle_job.hpp"

namespace broadloom {

int look_ahead_leaves(int threads) { return 2 * threads + 2; }

ColourSpace working_space(const RenderOptions& options) {
    switch (options.colour) {
        case OutputColour::display_p3:
            return ColourSpace::display_p3;
        case OutputColour::adobe_rgb:
            return ColourSpace::adobe_rgb;
        case OutputColour::srgb:
            break;
    }
    return ColourSpace::srgb;
}

namespace {

void check_options(const RenderOptions& o) {
    const auto refuse = [](const std::string& message) { throw Error(ErrorCode::usage, message); };
    if (o.out.empty()) refuse("--out: no folder given; name the folder for the result");
    if (o.scale && !(std::isfinite(*o.scale) && *o.scale > 0 && *o.scale <= 16)) {
        refuse("--scale: must be above 0 and at most 16; 1 is the scene's own size");
    }
    if (o.threads < 0 || o.threads > 1024) refuse("--threads: must be 1 to 1024");
    if (o.tile < 16 || o.tile > 4096 || o.tile % 2 != 0) {
        refuse("--tile: must be an even number from 16 to 4096; 512 is usual");
    }
    if (o.overlap < 0 || o.overlap > o.tile / 4) {
        refuse("--overlap: must be 0 to a quarter of the tile; 0 is usual");
    }
    if (o.quality < 1 || o.quality > 100) refuse("--quality: must be 1 to 100; 90 is usual");
    if (o.bands && (*o.bands < 1 || *o.bands > kMaxBands)) {
        refuse("--bands: must be 1 to " + std::to_string(kMaxBands) +
               "; leave it out to choose by the frames' size");
    }
    if (!(o.shift_limit_px >= 0 && o.shift_limit_px <= 14)) {
        refuse("--shift-limit: must be 0 (off) to 14 pixels; 6 is usual");
    }
    if (o.tiff_bits && *o.tiff_bits != 8 && *o.tiff_bits != 16) {
        refuse("--tiff-bits: must be 8 or 16; leave it out to follow the frames");
    }
    if (o.block != 0 && (o.block < kCell || o.block > 4096 || o.block % kCell != 0)) {
        refuse("block: must be a multiple of 16 from 16 to 4096");
    }
    if (o.memory_bytes && *o.memory_bytes <= 0)
        refuse("--memory: must be above 0, like 512M or 2G");
}

/// Reads all headers; every bad frame becomes a line of the details.
std::vector<FrameInput> read_headers(const Scene& scene, ColourSpace working,
                                     std::vector<std::string>& notes) {
    std::vector<FrameInput> inputs;
    std::map<std::filesystem::path, int64_t> seen;
    FrameColours colours(working);
    int64_t with_alpha = 0;
    std::vector<Error> errors;
    for (size_t i = 0; i < scene.frames.size(); ++i) {
        const Frame& frame = scene.frames[i];
        if (!frame.use) continue;
        FrameInput input;
        input.path = scene.path_of(frame);
        input.name = "frame " + escaped(frame.file);
        const auto known = seen.find(input.path.lexically_normal());
        const Camera& camera = scene.cameras.at(frame.camera);
        try {
            if (known != seen.end()) {
                input.same_as = known->second;
                input.info = probe_frame(input.path, input.name);
                notes.push_back(input.name + " is listed more than once");
            } else {
                input.info = probe_frame(input.path, input.name);
                seen[input.path.lexically_normal()] = static_cast<int64_t>(inputs.size());
                if (input.info.alpha) ++with_alpha;
            }
            input.stage = colours.add(input.info);
            if (frame.orientation) input.info.orientation = static_cast<int>(*frame.orientation);
            if (input.info.upright_width() != camera.width ||
                input.info.upright_height() != camera.height) {
                throw Error(ErrorCode::input,
                            input.name + " is " + std::to_string(input.info.upright_width()) +
                                " x " + std::to_string(input.info.upright_height()) +
                                " pixels upright, but camera \"" + escaped(frame.camera) +
                                "\" says " + std::to_string(camera.width) + " x " +
                                std::to_string(camera.height) +
                                "; correct the camera in the scene or give the right file");
            }
        } catch (const Error& e) {
            errors.push_back(e);
        }
        inputs.push_back(std::move(input));
    }
    throw_together(errors, "frames");
    for (std::string& note : colours.notes()) notes.push_back(std::move(note));
    if (with_alpha > 0) {
        notes.push_back(std::to_string(with_alpha) +
                        " frames have an alpha channel; it is not used");
    }
    return inputs;
}

/// What the TIFF will be: what is asked for, or 16 bits because frames have them.
TiffKind choose_tiff(const RenderOptions& o, const std::vector<FrameInput>& frames) {
    const bool fine = std::any_of(frames.begin(), frames.end(),
                                  [](const FrameInput& f) { return f.info.bits == 16; });
    TiffKind kind;
    kind.bits = o.tiff_bits.value_or(fine ? 16 : 8);
    kind.alpha = o.uncovered == Uncovered::alpha;
    kind.colour = working_space(o);
    return kind;
}

std::string name_of(ColourSpace colour) {
    switch (colour) {
        case ColourSpace::display_p3:
            return "display-p3";
        case ColourSpace::adobe_rgb:
            return "adobe-rgb";
        default:
            return "srgb";
    }
}

std::string describe_tiff(const RenderPlan& plan) {
    return "the TIFF holds " + std::to_string(plan.tiff_bits) + " bits a sample in " +
           plan.tiff_colour + (plan.tiff_alpha ? ", transparent where no frame is" : "") +
           ", at most about " + format_bytes(plan.tiff_bytes) + "; web tiles stay 8-bit sRGB";
}

/// The coarsest scaled decode that loses nothing at the canvas's resolution.
int choose_denominator(double frame_pixels_per_canvas_pixel, Pass pass) {
    // Rounding the canvas's size moves the ratio a little; a draft may be a little softer.
    const double slack = pass == Pass::draft ? 1.12 : 1.01;
    for (const int d : {8, 4, 2}) {
        if (frame_pixels_per_canvas_pixel * slack >= d) return d;
    }
    return 1;
}

int default_bands(const RenderJob& job, const Scene& scene) {
    // The widest transition stays well inside the overlap: a 64th of the frame's short side (on the
    // canvas) at most. 20-megapixel frames get 5.
    double shortest = 1e9;
    for (const auto& [name, camera] : scene.cameras) {
        const double ratio = camera.focal_px * kRadPerDeg / job.canvas.pixels_per_degree;
        shortest =
            std::min(shortest, static_cast<double>(std::min(camera.width, camera.height)) / ratio);
    }
    return std::clamp(static_cast<int>(std::floor(std::log2(shortest / 64))), 1, 7);
}

/// Frames that the surroundings of a leaf are likely taken from: nearest centres at a few sample
/// points. It guides the cache; what a leaf really needs is found when its turn comes.
std::vector<int> likely_frames(RenderJob& job, const FrameIndex& index, const Rect& leaf) {
    const Rect area = block_surroundings(job.canvas, leaf, job.block.bands);
    const std::vector<int> candidates = index.touching(aligned_outwards(area, kCell));
    job.most_candidates = std::max(job.most_candidates, candidates.size());
    std::vector<int> found;
    constexpr int kSteps = 12;
    for (int j = 0; j <= kSteps; ++j) {
        for (int i = 0; i <= kSteps; ++i) {
            const double x =
                static_cast<double>(area.x0) + static_cast<double>(area.width()) * i / kSteps;
            const double y =
                static_cast<double>(area.y0) + static_cast<double>(area.height()) * j / kSteps;
            const Vec3 d = job.canvas.direction(x, y);
            const double inverse_norm = 1 / norm(d);
            int best = -1;
            double best_score = -2;
            for (const int k : candidates) {
                const FrameGeometry& g = job.geometry[static_cast<size_t>(k)];
                const FramePoint p = g.at(d, inverse_norm);
                if (!p.valid || !g.shows(p.x, p.y)) continue;
                if (p.score > best_score) {
                    best = k;
                    best_score = p.score;
                }
                if (g.masks() != nullptr && g.masks()->kept(p.x, p.y)) found.push_back(k);
            }
            if (best >= 0) found.push_back(best);
        }
    }
    std::sort(found.begin(), found.end());
    found.erase(std::unique(found.begin(), found.end()), found.end());
    return found;
}

PictureMetadata read_metadata(const Scene& scene, const RenderJob& job,
                              std::vector<std::string>& notes) {
    std::vector<PhotoTags> tags;
    for (const FrameInput& frame : job.frames) {
        tags.push_back(frame.same_as >= 0 ? PhotoTags{} : read_photo_tags(frame.path, frame.name));
    }
    return collect_metadata(scene, tags, job.options.location, notes);
}

/// A walk too long cannot be written down, let alone rendered; disks end far below.
void check_tiles(const RenderJob& job, const RenderOptions& options) {
    constexpr int64_t kMostTiles = 50'000'000;
    const PyramidShape shape{job.area.width(), job.area.height(), options.tile, options.overlap};
    const int64_t tiles = shape.tile_count();
    if (tiles <= kMostTiles) return;
    throw Error(ErrorCode::input,
                "the canvas of " + std::to_string(shape.width) + " x " +
                    std::to_string(shape.height) + " pixels has " + std::to_string(tiles) +
                    " tiles, more than this program can handle; lower canvas.pixels_per_degree or "
                    "--scale, or correct focal_px");
}

std::string identify(const Scene& scene, const RenderJob& job) {
    Fingerprint f;
    f.add(version());
    f.add(scene_to_json(scene));
    const RenderOptions& o = job.options;
    std::string options = std::to_string(static_cast<int>(o.pass)) + " " + std::to_string(*o.scale);
    for (const int64_t v : {o.tile, o.overlap, int64_t{o.quality}, static_cast<int64_t>(o.chroma),
                            int64_t{job.block.bands}, int64_t{o.background[0]},
                            int64_t{o.background[1]}, int64_t{o.background[2]}}) {
        options += " " + std::to_string(v);
    }
    for (const double v :
         {static_cast<double>(o.seams), o.shift_limit_px, static_cast<double>(o.even_light),
          static_cast<double>(o.tiff_bits.value_or(0)), static_cast<double>(o.uncovered),
          static_cast<double>(o.colour), static_cast<double>(o.crop.kind), o.crop.left, o.crop.top,
          o.crop.right, o.crop.bottom, static_cast<double>(o.show_seams),
          static_cast<double>(o.location)}) {
        options += " " + std::to_string(v);
    }
    f.add(options);
    for (const FrameInput& frame : job.frames) {
        std::error_code ignored;
        const auto time = std::filesystem::last_write_time(frame.path, ignored);
        f.add(std::to_string(frame.info.file_bytes) + " " +
              std::to_string(time.time_since_epoch().count()));
    }
    return f.hex();
}

}  // namespace

RenderJob prepare_job(const Scene& scene, const RenderOptions& options) {
    check_options(options);
    start_frame_library();
    RenderJob job;
    job.options = options;
    job.options.scale = options.scale.value_or(options.pass == Pass::draft ? 0.5 : 1.0);
    job.options.threads = options.threads > 0 ? options.threads : processor_count();
    job.options.memory_bytes = options.memory_bytes.value_or(default_memory_budget());
    RenderPlan& plan = job.plan;
    const int wanted_threads = job.options.threads;
    kernels_for(options.instruction_set);  // refuses what this processor lacks

    for (const Frame& f : scene.frames) ++(f.use ? plan.frames_used : plan.frames_left_out);
    if (plan.frames_used == 0) {
        throw Error(
            ErrorCode::input,
            "the scene has no frame to render: \"use\" is \"left out\" for all of them or the list "
            "is empty; add frames or set \"use\" to \"yes\"");
    }
    job.canvas = make_canvas(scene, *job.options.scale, &plan.notes);
    job.area = area_asked_for(job.canvas, options.crop);
    job.frames = read_headers(scene, working_space(job.options), plan.notes);
    job.metadata = read_metadata(scene, job, plan.notes);
    job.tiff = choose_tiff(options, job.frames);
    job.deep = job.tiff.lossless() || job.tiff.colour != ColourSpace::srgb;
    size_t at = 0;
    for (const Frame& frame : scene.frames) {
        if (!frame.use) continue;
        const Camera& camera = scene.cameras.at(frame.camera);
        FrameInput& input = job.frames[at++];
        const double ratio = camera.focal_px * kRadPerDeg / job.canvas.pixels_per_degree;
        input.denominator = choose_denominator(ratio, options.pass);
        input.pixel_ratio = ratio / input.denominator;
        input.bytes = frame_bytes(input.info, input.denominator);
        input.decode_bytes = frame_decode_bytes(input.info, input.denominator);
        job.geometry.emplace_back(camera, frame, input.info.orientation);
    }
    // The same file under two cameras may want two scales; its pixels are then kept twice.
    for (size_t i = 0; i < job.frames.size(); ++i) {
        FrameInput& f = job.frames[i];
        if (f.same_as >= 0 &&
            job.frames[static_cast<size_t>(f.same_as)].denominator != f.denominator) {
            f.same_as = -1;
        }
    }

    check_tiles(job, options);
    if (options.crop.kind == Crop::Kind::inside) job.area = inner_area(job);
    job.output = cropped(job.canvas, job.area);
    job.shape = {job.output.width, job.output.height, options.tile, options.overlap};
    if (options.crop.kind != Crop::Kind::none) plan.notes.push_back(area_note(job));
    note_mask_gaps(job);
    job.block.bands =
        options.pass == Pass::draft ? 0 : options.bands.value_or(default_bands(job, scene));
    job.block.background = options.background;
    if (options.block > 0) job.block.core = options.block;
    plan.canvas = job.output;
    plan.levels = job.shape.levels();
    plan.tiles = job.shape.tile_count();
    plan.bands = job.block.bands;
    plan.memory_budget_bytes = *job.options.memory_bytes;
    plan.tiff_bits = job.tiff.bits;
    plan.tiff_colour = name_of(job.tiff.colour);
    plan.tiff_alpha = job.tiff.alpha;
    plan.tiff_bytes = estimate_tiff(job);
    if (job.deep) plan.notes.push_back(describe_tiff(plan));
    plan.free_disk_bytes = free_disk_bytes(options.out);

    // Leaves of at least 512 px, so that blending works on large enough pieces.
    job.tree = std::make_unique<Quadtree>(job.shape, 512);
    const FrameIndex index(job.canvas, job.geometry);
    job.leaf_frames.reserve(job.tree->leaves.size());
    for (const int64_t leaf : job.tree->leaves) {
        job.leaf_frames.push_back(
            likely_frames(job, index, job.area_of(job.tree->nodes[static_cast<size_t>(leaf)])));
    }

    const SettleNeeds needs = settle_needs(scene, job);
    job.settle_bytes = needs.memory;
    job.settle_disk_bytes = needs.disk;
    job.settle_seconds = needs.seconds;
    // A few dozen runs in each row of the labels; what they really take is counted later.
    if (job.options.seams == Seams::fine) job.label_bytes = 1 << 20;
    plan.disk_bytes = estimate_disk(job);
    job.memory.base = base_memory(settle_options(job.options).any());
    divide_memory(job);
    const int64_t decodes = forecast_decodes(job, job.frame_cache_bytes);
    for (std::string& note : memory_notes(job, wanted_threads, decodes)) {
        plan.notes.push_back(std::move(note));
    }
    plan.seconds = estimate_seconds(job, decodes);
    job.identity = identify(scene, job);
    return job;
}

void divide_memory(RenderJob& job) {
    job.memory = share_memory(job);
    const auto budget = static_cast<size_t>(*job.options.memory_bytes);
    job.plan.least_memory_bytes =
        std::max(static_cast<int64_t>(job.memory.fixed(1) + job.memory.frames),
                 static_cast<int64_t>(job.memory.base) + job.settle_bytes);
    int threads = job.options.threads;
    while (threads > 1 && job.memory.fixed(threads) + job.memory.frames > budget) --threads;
    job.options.threads = threads;
    job.plan.threads = threads;
    job.frame_cache_bytes = budget - std::min(budget, job.memory.fixed(threads));
}

RenderPlan plan_render(const Scene& scene, const RenderOptions& options) {
    const RenderJob job = prepare_job(scene, options);
    check_resources(job);
    return job.plan;
}

const char* version() { return BROADLOOM_VERSION; }

}  // namespace broadloom
