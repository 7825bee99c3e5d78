#include "settle/settle.hpp"

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "base/byte_pack.hpp"
#include "base/fingerprint.hpp"
#include "base/parallel.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "blend/seam_labels.hpp"
#include "broadloom/error.hpp"
#include "canvas/frame_index.hpp"
#include "settle/light_fields.hpp"
#include "settle/local_shift.hpp"
#include "settle/seam_solver.hpp"

namespace broadloom {

namespace {

constexpr std::string_view kMagic = "broadloom settled 1\n";

/// Gives the surveyed frames the light that was found for them.
void light_up(const CoarseCanvas& coarse, const std::vector<FrameGeometry>& geometry,
              const std::vector<FrameFields>& fields, int threads, CoarseSurvey& survey) {
    for_each_index(fields.size(), threads, [&](size_t i, int) {
        if (!fields[i].lights()) return;
        CoarseFrame lit = *survey.get(i);
        apply_light(lit, coarse, geometry[i], fields[i]);
        survey.put(i, std::move(lit));
    });
}

}  // namespace

std::string settle_key(const Scene& scene, const std::vector<SettleFrame>& frames,
                       const SettleOptions& options, std::string_view version) {
    Fingerprint f;
    f.add("settled");
    f.add(version);
    Scene plain = scene;  // what it is called changes nothing
    plain.title = plain.credit = plain.rights = "";
    plain.extra_json = "{}";
    f.add(scene_to_json(plain));
    f.add(std::to_string(static_cast<int>(options.fine_seams)) + " " +
          std::to_string(options.shift_limit_px) + " " +
          std::to_string(static_cast<int>(options.even_light)));
    for (const SettleFrame& frame : frames) {
        std::error_code ignored;
        const auto time = std::filesystem::last_write_time(frame.path, ignored);
        f.add(std::to_string(frame.info.file_bytes) + " " +
              std::to_string(time.time_since_epoch().count()));
    }
    return f.hex();
}

int64_t settle_least_bytes(const std::vector<SettleFrame>& frames, const CoarseCanvas& coarse) {
    // One worker, or the labels being solved with the frames around one move.
    const int64_t labels = coarse.canvas.width * coarse.canvas.height * 2 * 2;
    size_t frame = 0;
    for (const SettleFrame& f : frames) {
        const auto pixels = static_cast<size_t>(f.info.stored_width * f.info.stored_height);
        frame = std::max(frame, pixels / static_cast<size_t>(coarse.step * coarse.step));
    }
    const auto solving = labels + static_cast<int64_t>(frame) * 8 * 2 * 12;
    // Measurements and splines of the solves for shifts and light: 120 to 150 KiB a frame.
    const auto solves = static_cast<int64_t>(frames.size()) * (200 << 10);
    return std::max({static_cast<int64_t>(survey_worker_bytes(frames, coarse)), solving, solves}) +
           (20 << 20);
}

Settled settle(const Scene& scene, const std::vector<SettleFrame>& frames,
               const std::vector<FrameGeometry>& geometry, const SettleOptions& options,
               const SettleLimits& limits, const Kernels& kernels, const WorkHooks& hooks) {
    Settled settled;
    settled.fields.resize(frames.size());
    if (!options.any()) return settled;
    const CoarseCanvas coarse = coarse_canvas_of(scene);
    settled.summary.step = coarse.step;

    std::optional<PatchLattice> lattice;
    if (options.shift_limit_px > 0) lattice = patch_lattice(coarse, geometry);
    const auto worker = static_cast<int64_t>(survey_worker_bytes(frames, coarse));
    const int workers =
        static_cast<int>(std::clamp<int64_t>(limits.memory_bytes / worker, 1, limits.threads));
    const int64_t left = limits.memory_bytes - settle_least_bytes(frames, coarse);
    CoarseSurvey survey(frames.size(), static_cast<size_t>(std::max<int64_t>(left / 2, 4 << 20)),
                        limits.scratch);
    survey_frames(frames, geometry, coarse, lattice ? &*lattice : nullptr, kernels, workers, hooks,
                  survey);

    if (lattice) {
        throw_if_stopped(hooks);
        ShiftReport report;
        settled.fields = solve_shifts(*lattice, geometry, survey.patches(), options.shift_limit_px,
                                      limits.threads, &report);
        settled.summary.shift_points = report.points;
        settled.summary.shifted_frames = report.frames;
        settled.summary.apart_before_px = report.rms_before_px;
        settled.summary.apart_after_px = report.rms_after_px;
    }
    survey.hold_frames_only(static_cast<size_t>(std::max<int64_t>(left, 4 << 20)));
    if (options.even_light) {
        throw_if_stopped(hooks);
        LightReport report;
        std::vector<FrameFields> light =
            solve_light(coarse, geometry, survey, limits.threads, &report);
        for (size_t i = 0; i < light.size(); ++i) {
            if (light[i].lights()) ++settled.summary.lit_frames;
            settled.fields[i].light_grid = light[i].light_grid;
            settled.fields[i].log_gain = std::move(light[i].log_gain);
        }
        settled.summary.light_before_stops = report.rms_before / std::log(2.0);
        settled.summary.light_after_stops = report.rms_after / std::log(2.0);
    }
    if (options.fine_seams) {
        throw_if_stopped(hooks);
        light_up(coarse, geometry, settled.fields, limits.threads, survey);
        settled.labels = std::make_shared<const LabelGrid>(
            solve_seams(coarse, survey, SeamOptions{}, limits.threads, hooks));
    }
    return settled;
}

LabelGrid nearest_centre_grid(const CoarseCanvas& coarse,
                              const std::vector<FrameGeometry>& geometry, const Kernels& kernels) {
    constexpr int64_t kBlock = 512;
    LabelGrid grid(coarse.canvas);
    const FrameIndex index(coarse.canvas, geometry);
    const NearestCentreLabels rule;
    for (int64_t y0 = 0; y0 < grid.height; y0 += kBlock) {
        for (int64_t x0 = 0; x0 < grid.width; x0 += kBlock) {
            const Rect block{x0, y0, std::min(x0 + kBlock, grid.width),
                             std::min(y0 + kBlock, grid.height)};
            const RegionMaps maps(coarse.canvas, cells_of(block), geometry,
                                  index.touching(aligned_outwards(block, kCell)), &kernels);
            const LabelRegion labels = rule.label(maps, kernels);
            for (int64_t y = block.y0; y < block.y1; ++y) {
                for (int64_t x = block.x0; x < block.x1; ++x) {
                    const int64_t cx = (x - block.x0) / kCell;
                    const int64_t cy = (y - block.y0) / kCell;
                    Label label = labels.cell(cx, cy);
                    if (label == LabelRegion::kMixed) {
                        label = labels.pixels(cx, cy)[static_cast<size_t>(
                            (y - block.y0) % kCell * kCell + (x - block.x0) % kCell)];
                    }
                    if (label >= 0) {
                        grid.frame[grid.index(x, y)] =
                            static_cast<int16_t>(maps.frames()[static_cast<size_t>(label)]);
                    }
                }
            }
        }
    }
    return grid;
}

std::string pack_settled(const Settled& settled, std::string_view key) {
    Packer p;
    p.bytes() = kMagic;
    p.text(key);
    p.number(settled.summary);
    p.number<uint64_t>(settled.fields.size());
    for (const FrameFields& f : settled.fields) {
        p.number(f.shift_grid);
        p.list(f.dx);
        p.list(f.dy);
        p.number(f.light_grid);
        for (const auto& g : f.log_gain) p.list(g);
    }
    p.list(settled.labels ? settled.labels->pack() : std::vector<uint8_t>());
    p.number(hash_bytes(p.bytes()));
    return std::move(p.bytes());
}

Settled unpack_settled(std::string_view bytes, std::string_view key, const std::string& name) {
    const auto refuse = [&](const std::string& what) {
        throw Error(ErrorCode::input, name + " " + what);
    };
    constexpr size_t kSum = sizeof(uint64_t);
    const auto damaged = [&] { refuse("is damaged; render without --like to decide anew"); };
    if (bytes.size() < kMagic.size() + kSum || bytes.substr(0, kMagic.size()) != kMagic) damaged();
    const std::string_view body = bytes.substr(0, bytes.size() - kSum);
    if (Unpacker(bytes.substr(body.size())).number<uint64_t>() != hash_bytes(body)) damaged();
    Unpacker u(body.substr(kMagic.size()));
    const auto made_for = u.list<char>();
    if (std::string_view(made_for.data(), made_for.size()) != key) {
        refuse("is of another scene, of changed frames or of other options; render without --like");
    }
    Settled settled;
    settled.summary = u.number<SettleSummary>();
    const auto count = u.number<uint64_t>();
    for (uint64_t i = 0; u.good() && i < count; ++i) {
        FrameFields f;
        f.shift_grid = u.number<SplineGrid>();
        f.dx = u.list<float>();
        f.dy = u.list<float>();
        f.light_grid = u.number<SplineGrid>();
        for (auto& g : f.log_gain) g = u.list<float>();
        const auto fits = [](const std::vector<float>& v, const SplineGrid& g) {
            return v.empty() || (g.columns >= 4 && g.rows >= 4 && v.size() == g.size());
        };
        if (!fits(f.dx, f.shift_grid) || f.dx.size() != f.dy.size() ||
            std::any_of(f.log_gain.begin(), f.log_gain.end(), [&](const auto& g) {
                return !fits(g, f.light_grid) || g.size() != f.log_gain[0].size();
            })) {
            damaged();
        }
        settled.fields.push_back(std::move(f));
    }
    const auto labels = u.list<uint8_t>();
    if (!u.good() || !u.at_end()) damaged();
    if (!labels.empty()) {
        constexpr int64_t kMostPixels = int64_t{1} << 30;
        settled.labels = std::make_shared<const LabelGrid>(LabelGrid::unpack(labels, kMostPixels));
    }
    return settled;
}

}  // namespace broadloom
