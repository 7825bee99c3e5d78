#include "render/settle_job.hpp"

#include <malloc.h>

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "base/file_io.hpp"
#include "base/process_memory.hpp"
#include "base/text.hpp"
#include "blend/grid_labels.hpp"
#include "broadloom/error.hpp"
#include "io/frame_colours.hpp"

namespace broadloom {

namespace {

constexpr size_t kMostSettledBytes = size_t{1} << 30;

Settled read_settled(const std::filesystem::path& file, const std::string& key) {
    return unpack_settled(read_file_limited(file, kMostSettledBytes), key, escaped(file.string()));
}

std::string one_digit(double value) {
    char text[40];
    std::snprintf(text, sizeof text, "%.1f", value);
    return text;
}

}  // namespace

SettleOptions settle_options(const RenderOptions& options) {
    SettleOptions s;
    s.fine_seams = options.seams == Seams::fine;
    s.shift_limit_px = options.shift_limit_px;
    s.even_light = options.even_light;
    return s;
}

std::vector<SettleFrame> survey_frames_of(const RenderJob& job) {
    std::vector<SettleFrame> frames;
    frames.reserve(job.frames.size());
    // Seams and left-over light do not depend on the output's colours.
    FrameColours colours(ColourSpace::srgb);
    for (const FrameInput& f : job.frames) {
        frames.push_back({f.path, f.name, f.info, nullptr});
        SettleFrame& added = frames.back();
        added.stage =
            working_space(job.options) == ColourSpace::srgb ? f.stage : colours.add(added.info);
    }
    return frames;
}

SettleNeeds settle_needs(const Scene& scene, const RenderJob& job) {
    SettleNeeds needs;
    if (!settle_options(job.options).any() || !job.options.like.empty()) return needs;
    const CoarseCanvas coarse = coarse_canvas_of(scene);
    const std::vector<SettleFrame> frames = survey_frames_of(job);
    needs.memory = settle_least_bytes(frames, coarse);
    needs.disk = survey_disk_bytes(job.geometry, coarse);
    for (const FrameInput& f : job.frames) {
        const double pixels = static_cast<double>(f.info.stored_width * f.info.stored_height);
        // Decoding, and comparing a frame with its neighbours, which hardly depends on its size
        // (measured: a third of a second where a megapixel decodes in 4 ms).
        needs.seconds += pixels / 1e6 * 1.6 + 80;
    }
    return needs;
}

Settled settle_job(const Scene& scene, const RenderJob& job, const OutputFolder& folder,
                   const Kernels& kernels, const WorkHooks& hooks) {
    const SettleOptions options = settle_options(job.options);
    const std::vector<SettleFrame> frames = survey_frames_of(job);
    if (!options.any()) {
        Settled nothing;
        nothing.fields.resize(frames.size());
        return nothing;
    }
    const std::string key = settle_key(scene, frames, options, version());
    std::error_code ignored;
    if (std::filesystem::exists(folder.working_settled(), ignored)) {
        try {
            return read_settled(folder.working_settled(), key);
        } catch (const Error&) {  // cut short when the run was; decided again
        }
    }
    Settled settled;
    if (!job.options.like.empty()) {
        try {
            settled = read_settled(job.options.like / "pano.settled", key);
        } catch (const Error& e) {
            throw Error(ErrorCode::usage, std::string("--like: ") + e.what());
        }
    } else {
        SettleLimits limits;
        limits.threads = job.options.threads;
        limits.memory_bytes = job.plan.memory_budget_bytes - static_cast<int64_t>(job.memory.base);
        limits.scratch = folder.survey();
        settled = settle(scene, frames, job.geometry, options, limits, kernels, hooks);
        malloc_trim(0);  // what the survey held is the frames' now
    }
    write_file_atomic(folder.working_settled(), pack_settled(settled, key));
    return settled;
}

std::unique_ptr<const SeamLabels> adopt(const Settled& settled, RenderJob& job) {
    for (size_t i = 0; i < job.geometry.size(); ++i) {
        const FrameFields& fields = settled.fields[i];
        if (fields.moves() || fields.lights()) {
            job.geometry[i].set_fields(std::make_shared<const FrameFields>(fields));
        }
    }
    if (!settled.labels) return std::make_unique<NearestCentreLabels>();
    auto labels = std::make_unique<GridLabels>(*settled.labels);
    job.label_bytes = labels->bytes();
    for (size_t i = 0; i < job.tree->leaves.size(); ++i) {
        const QuadNode& node = job.tree->nodes[static_cast<size_t>(job.tree->leaves[i])];
        const Rect area = block_surroundings(job.canvas, job.area_of(node), job.block.bands);
        job.leaf_frames[i] = labels->frames_in(job.canvas, area);
    }
    return labels;
}

std::vector<std::string> settle_notes(const Settled& settled, const RenderOptions& options) {
    std::vector<std::string> notes;
    const SettleSummary& s = settled.summary;
    if (s.shifted_frames > 0) {
        notes.push_back("neighbours stood " + one_digit(s.apart_before_px) + " px apart at " +
                        std::to_string(s.shift_points) + " places; small shifts (at most " +
                        one_digit(options.shift_limit_px) + " px) leave " +
                        one_digit(s.apart_after_px) + " px");
    }
    if (s.lit_frames > 0) {
        char text[120];
        std::snprintf(text, sizeof text,
                      "overlaps differed by %.3f stops of light; %.3f after evening out",
                      s.light_before_stops, s.light_after_stops);
        notes.emplace_back(text);
    }
    return notes;
}

}  // namespace broadloom
