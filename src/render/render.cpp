#include "broadloom/render.hpp"

#include <chrono>
#include <csignal>
#include <nlohmann/json.hpp>
#include <optional>

#include "base/file_io.hpp"
#include "base/process_memory.hpp"
#include "base/stopwatch.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/page.hpp"
#include "render/checkpoint.hpp"
#include "render/output_folder.hpp"
#include "render/repair.hpp"
#include "render/resources.hpp"
#include "render/scheduler.hpp"
#include "render/seal.hpp"
#include "render/seam_view.hpp"
#include "render/settle_job.hpp"

namespace broadloom {

namespace {

const char* pass_name(Pass pass) { return pass == Pass::draft ? "draft" : "full"; }

std::string page_text(const RenderJob& job) {
    PageData data;
    data.title = job.metadata.title;
    data.credit = job.metadata.creator_line();
    data.rights = job.metadata.rights;
    data.description = job.metadata.description;
    data.taken = job.metadata.taken_range();
    data.place = job.metadata.place();
    data.width = job.output.width;
    data.height = job.output.height;
    data.tile = job.shape.tile;
    data.overlap = job.shape.overlap;
    data.surface = job.output.surface == Surface::sphere ? "sphere" : "cylinder";
    data.left_deg = job.output.left_deg;
    data.right_deg = job.output.right_deg;
    data.top_deg = job.output.top_deg;
    data.bottom_deg = job.output.bottom_deg;
    data.pixels_per_degree = job.output.pixels_per_degree;
    data.wraps = job.output.wraps;
    data.pass = pass_name(job.options.pass);
    data.seams = job.options.show_seams;
    return make_page(data);
}

std::string report_text(const RenderReport& r, const std::string& identity,
                        const PyramidShape& shape, const Sha256Sum& checksums) {
    nlohmann::ordered_json j;
    j["pass"] = r.pass;
    j["width"] = r.width;
    j["height"] = r.height;
    j["tile"] = shape.tile;
    j["overlap"] = shape.overlap;
    j["megapixels"] = r.megapixels;
    j["frames"] = r.frames;
    j["mask_gap_pixels"] = r.mask_gap_pixels;
    j["decodes"] = r.decodes;
    j["decoded_megapixels"] = r.decoded_megapixels;
    j["bands"] = r.bands;
    j["seams"] = r.fine_seams ? "fine" : "simple";
    auto& overlaps = j["overlaps"];
    overlaps["compared_places"] = r.compared_places;
    overlaps["apart_before_px"] = r.apart_before_px;
    overlaps["apart_after_px"] = r.apart_after_px;
    overlaps["light_before_stops"] = r.light_before_stops;
    overlaps["light_after_stops"] = r.light_after_stops;
    j["tiff"] = {{"bits", r.tiff_bits}, {"colour", r.tiff_colour}, {"alpha", r.tiff_alpha}};
    j["memory_budget_bytes"] = r.memory_budget_bytes;
    j["peak_memory_bytes"] = r.peak_memory_bytes;
    j["threads"] = r.threads;
    j["instruction_set"] = r.instruction_set;
    auto& seconds = j["seconds"];
    seconds["total"] = r.seconds;
    for (const auto& [stage, value] : r.stage_seconds) seconds[stage] = value;
    j["version"] = r.version;
    j["job"] = identity;
    j["checksums"] = sum_text(checksums);
    return sealed_report(std::move(j));
}

std::optional<Checkpoint> load_checkpoint(const OutputFolder& folder, const RenderJob& job) {
    std::error_code ignored;
    if (!std::filesystem::exists(folder.checkpoint(), ignored)) return {};
    constexpr size_t kMost = size_t{1} << 30;
    return unpack_checkpoint(read_file_limited(folder.checkpoint(), kMost), job.identity, *job.tree,
                             job.pixel_bytes());
}

}  // namespace

RenderReport render(const Scene& scene, const RenderOptions& options, const RenderHooks& hooks) {
    const auto start = std::chrono::steady_clock::now();
    RenderJob job = prepare_job(scene, options);
    const Kernels& kernels = kernels_for(options.instruction_set);

    RenderReport report;
    report.pass = pass_name(options.pass);
    report.version = version();
    report.width = job.output.width;
    report.height = job.output.height;
    report.megapixels =
        static_cast<double>(job.output.width) * static_cast<double>(job.output.height) / 1e6;
    report.frames = job.plan.frames_used;
    report.mask_gap_pixels = job.plan.mask_gap_pixels;
    report.bands = job.block.bands;
    report.tiff_bits = job.plan.tiff_bits;
    report.tiff_colour = job.plan.tiff_colour;
    report.tiff_alpha = job.plan.tiff_alpha;
    report.memory_budget_bytes = job.plan.memory_budget_bytes;
    report.threads = job.options.threads;
    report.instruction_set = kernels.name;

    OutputFolder folder(options.out, job.identity, options.resume);
    const auto make_seams_text = [&](const Settled& settled) -> std::string {
        if (!options.show_seams) return {};
        const Canvas& canvas = job.output;
        if (settled.labels) {
            return seam_view_script(scene, canvas, *settled.labels, settled.fields);
        }
        return seam_view_script(scene, canvas,
                                nearest_centre_grid(coarse_canvas_of(scene), job.geometry, kernels),
                                settled.fields);
    };
    const auto seconds_since_start = [&] {
        return std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
    };
    const std::string descriptor = deep_zoom_descriptor(job.shape);
    const std::string page = page_text(job);
    if (folder.found() == OutputFolder::Found::finished) {
        report.already_finished = true;
        if (!options.resume) return report;
        const RepairTexts texts{descriptor, page, make_seams_text, [&](const Sha256Sum& checksums) {
                                    report.seconds = seconds_since_start();
                                    report.peak_memory_bytes = peak_resident_bytes();
                                    return report_text(report, job.identity, job.shape, checksums);
                                }};
        const Repaired repaired = repair_result(scene, job, folder, kernels, texts, hooks);
        report.repaired_tiles = repaired.tiles;
        report.repaired_files = repaired.files;
        return report;
    }
    if (hooks.planned) hooks.planned(job.plan);
    if (hooks.note) {
        for (const std::string& note : job.plan.notes) hooks.note(note);
    }
    check_resources(job);

    const auto keep_or_tell = [&](const Error& e) {
        return Error(
            e.code(),
            e.what() + std::string(folder.keep_for_resume()
                                       ? "; then run the same command with --resume to go on"
                                       : ""),
            e.details());
    };
    double settled_seconds = 0;
    std::unique_ptr<const SeamLabels> seams;
    std::string seams_text;
    try {
        const Stopwatch watch(settled_seconds);
        const Settled settled = settle_job(scene, job, folder, kernels, hooks);
        if (hooks.note) {
            for (const std::string& note : settle_notes(settled, job.options)) hooks.note(note);
        }
        report.fine_seams = settled.labels != nullptr;
        report.compared_places = static_cast<int64_t>(settled.summary.shift_points);
        report.apart_before_px = settled.summary.apart_before_px;
        report.apart_after_px = settled.summary.apart_after_px;
        report.light_before_stops = settled.summary.light_before_stops;
        report.light_after_stops = settled.summary.light_after_stops;
        seams_text = make_seams_text(settled);
        seams = adopt(settled, job);
    } catch (const Error& e) {
        throw keep_or_tell(e);
    }
    divide_memory(job);
    check_resources(job);

    // Go on from a checkpoint where there is a good one.
    std::optional<Checkpoint> before;
    if (folder.found() == OutputFolder::Found::interrupted) {
        before = load_checkpoint(folder, job);
        if (!before) folder.start_afresh();
    }
    const TileLayout layout(job);
    Parents parents(*job.tree, job.pixel_bytes());
    std::optional<TiffPyramidWriter::State> tiff_state;
    if (before) tiff_state = std::move(before->tiff);
    TileSums sums;
    if (before) sums = std::move(before->sums);
    TileSink sink(job, layout, folder.working_tiles(), folder.working_tiff(), folder.scratch(),
                  std::move(tiff_state), std::move(sums));
    OrderedCommitter committer(sink, before ? before->next : 0, job.wanted);
    const auto save = [&](int64_t next) {
        Checkpoint c;
        c.next = next;
        c.quarters = parents.save(next);
        c.tiff = sink.save();
        c.sums = sink.sums();
        write_file_atomic(folder.checkpoint(), pack_checkpoint(c, job.identity));
    };
    OrderedCommitter::Hooks commit_hooks;
    commit_hooks.committed = [&](int64_t node) { parents.committed(node); };
    if (sink.can_save()) commit_hooks.checkpoint = save;
    committer.set_hooks(commit_hooks);
    const std::vector<int64_t> complete =
        before ? parents.restore(before->quarters) : std::vector<int64_t>();
    before.reset();

    double seal_seconds = 0;
    Sha256Sum checksums{};
    const auto stopped = [&] {
        const bool term = hooks.stop->load() == SIGTERM;
        return Error(term ? ErrorCode::terminated : ErrorCode::interrupted,
                     std::string("--out ") + escaped(options.out.string()) + ": stopped by " +
                         (term ? "SIGTERM" : "the user"));
    };
    Scheduler scheduler(job, kernels, *seams, layout, committer, parents, hooks);
    try {
        if (!scheduler.run(complete)) {
            if (sink.can_save()) save(committer.next());
            throw stopped();
        }
        sink.finish();
        const Stopwatch watch(seal_seconds);
        try {
            checksums =
                write_result_sums(folder, layout, sink, {descriptor, page, seams_text}, hooks);
        } catch (const Error& e) {
            if (e.code() == ErrorCode::interrupted || e.code() == ErrorCode::terminated) {
                throw stopped();
            }
            throw;
        }
    } catch (const Error& e) {
        throw keep_or_tell(e);
    }

    const StageTimes& t = scheduler.times();
    report.stage_seconds = {
        {"settle", settled_seconds}, {"plan", t.plan},     {"decode", t.decode}, {"warp", t.warp},
        {"blend", t.blend},          {"shrink", t.shrink}, {"encode", t.encode}, {"write", t.write},
        {"seal", seal_seconds},      {"wait", t.wait}};
    report.decodes = scheduler.cache().decodes();
    report.decoded_megapixels = scheduler.cache().decoded_megapixels();
    report.peak_memory_bytes = peak_resident_bytes();
    report.seconds = seconds_since_start();
    folder.finish(descriptor, page, report_text(report, job.identity, job.shape, checksums),
                  seams_text);
    return report;
}

}  // namespace broadloom
