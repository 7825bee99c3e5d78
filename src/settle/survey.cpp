#include "settle/survey.hpp"

#include <algorithm>
#include <cmath>

#include "base/byte_pack.hpp"
#include "base/parallel.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "canvas/cell_map.hpp"
#include "canvas/frame_index.hpp"
#include "io/frame_reduce.hpp"
#include "settle/frame_sampling.hpp"

namespace broadloom {

namespace {

constexpr int kLargestStep = 16;
constexpr double kLeastFrameSide = 256;
constexpr double kMostCoarsePixels = 32e6;
/// Side of the blocks in which a frame's place on the coarse canvas is sought and warped.
constexpr int64_t kBlock = 256;

/// Raw values beyond which nothing is told about exposure, working values: blocks of averaged
/// pixels begin to clip before their mean does.
constexpr int16_t kClippedFrom = 245 << kWorkShift;
constexpr int16_t kDarkBelow = 6 << kWorkShift;

int decode_denominator(int step) { return std::max(1, step / 4); }

/// The blocks of the coarse canvas that each frame's cone meets.
std::vector<std::vector<Rect>> blocks_of_frames(const Canvas& canvas,
                                                const std::vector<FrameGeometry>& geometry) {
    std::vector<std::vector<Rect>> blocks(geometry.size());
    const FrameIndex index(canvas, geometry);
    for (int64_t y = 0; y < canvas.height; y += kBlock) {
        for (int64_t x = 0; x < canvas.width; x += kBlock) {
            const Rect block{x, y, std::min(x + kBlock, canvas.width),
                             std::min(y + kBlock, canvas.height)};
            for (const int f : index.touching(aligned_outwards(block, kCell))) {
                blocks[static_cast<size_t>(f)].push_back(block);
            }
        }
    }
    return blocks;
}

/// The blocks of a frame moved into one piece: on a canvas that wraps those left of the widest gap
/// between its columns of blocks go to the right of the canvas.
void unwrap(std::vector<Rect>& blocks, const Canvas& canvas) {
    if (!canvas.wraps || blocks.empty()) return;
    std::vector<int64_t> columns;
    columns.reserve(blocks.size());
    for (const Rect& b : blocks) columns.push_back(b.x0);
    std::sort(columns.begin(), columns.end());
    columns.erase(std::unique(columns.begin(), columns.end()), columns.end());
    int64_t widest = columns.front() + canvas.width - columns.back();
    int64_t start = columns.front();
    for (size_t i = 1; i < columns.size(); ++i) {
        if (columns[i] - columns[i - 1] > widest) {
            widest = columns[i] - columns[i - 1];
            start = columns[i];
        }
    }
    for (Rect& b : blocks) {
        if (b.x0 >= start) continue;
        b.x0 += canvas.width;
        b.x1 += canvas.width;
    }
}

/// A coarse pixel mixes what lies up to 3.5 of them away (six taps of averages): so far from what
/// a mask leaves out nothing is looked at, lest that decide about anything.
constexpr double kSightReach = 4;

/// One worker's look at one frame.
class Look {
  public:
    Look(const CoarseCanvas& coarse, const Kernels& kernels) : coarse_(coarse), kernels_(kernels) {}

    CoarseFrame warp(const std::vector<Rect>& blocks, const FrameGeometry& geometry,
                     const FrameSampler& sampler, const DetailMap& detail) {
        CoarseFrame out;
        for (const Rect& b : blocks) out.rect = hull(out.rect, aligned_outwards(b, kCell));
        const auto area = static_cast<size_t>(out.rect.area());
        out.flags.assign(area, 0);
        for (auto& v : out.value) v.assign(area, 0);
        out.detail.assign(area, 0);
        for (const Rect& b : blocks) warp_block(b, geometry, sampler, detail, out);
        return trimmed(out);
    }

  private:
    void warp_block(const Rect& block, const FrameGeometry& geometry, const FrameSampler& sampler,
                    const DetailMap& detail, CoarseFrame& out) {
        const CellRegion region = cells_of(block);
        const LatticeDirections directions(coarse_.canvas, region);
        const CellMap map(directions, geometry, &kernels_);
        for (int64_t cy = 0; cy < region.height(); ++cy) {
            for (int64_t cx = 0; cx < region.width(); ++cx) {
                if (map.coverage(cx, cy) == Coverage::none) continue;
                warp_cell(map, cx, cy, (region.x0 + cx) * kCell, (region.y0 + cy) * kCell, block,
                          sampler, detail, out);
            }
        }
    }

    void warp_cell(const CellMap& map, int64_t cx, int64_t cy, int64_t x0, int64_t y0,
                   const Rect& block, const FrameSampler& sampler, const DetailMap& detail,
                   CoarseFrame& out) {
        int64_t ox = 0;
        int64_t oy = 0;
        map.coordinates(cx, cy, kernels_, coords_, ox, oy);
        bool inside[kCellArea];
        map.covered(coords_, ox, oy, inside);
        bool kept[kCellArea] = {};
        if (map.kept(cx, cy) != Coverage::none) map.kept(coords_, ox, oy, kept);
        alignas(64) int16_t value[3][kCellArea];
        alignas(64) int16_t raw[3][kCellArea];
        CellSampler s = sampler.cell(ox, oy);
        s.keep_range = true;
        int16_t* const out_value[3] = {value[0], value[1], value[2]};
        sample_frame(kernels_, sampler, ox, oy, coords_, out_value, kCell);
        if (s.photometric || sampler.stage != nullptr) {
            s.photometric = false;
            kernels_.sample_cell(s, coords_, raw[0], raw[1], raw[2], kCell);
        } else {
            std::copy_n(&value[0][0], 3 * kCellArea, &raw[0][0]);
        }
        for (int64_t j = 0; j < kCell; ++j) {
            for (int64_t i = 0; i < kCell; ++i) {
                const auto at = static_cast<size_t>(j * kCell + i);
                const int64_t x = x0 + i;
                const int64_t y = y0 + j;
                if (!inside[at] || x >= block.x1 || y >= block.y1) continue;
                const size_t to = out.index(x, y);
                const int16_t high = std::max({raw[0][at], raw[1][at], raw[2][at]});
                out.flags[to] = kCovered;
                if (kept[at]) out.flags[to] |= kKeep;
                if (high >= kClippedFrom || high < kDarkBelow) out.flags[to] |= kClipped;
                for (size_t c = 0; c < 3; ++c) out.value[c][to] = value[c][at];
                out.detail[to] =
                    detail_at(detail, static_cast<double>(coords_.u[at]) + static_cast<double>(ox),
                              static_cast<double>(coords_.v[at]) + static_cast<double>(oy));
            }
        }
    }

    [[nodiscard]] uint8_t detail_at(const DetailMap& detail, double x, double y) const {
        const auto column =
            std::clamp<int64_t>(static_cast<int64_t>(x / coarse_.step), 0, detail.width - 1);
        const auto row =
            std::clamp<int64_t>(static_cast<int64_t>(y / coarse_.step), 0, detail.height - 1);
        return detail.value[static_cast<size_t>(row * detail.width + column)];
    }

    /// Without cells at the sides that nothing covers.
    static CoarseFrame trimmed(const CoarseFrame& from) {
        Rect used;
        for (int64_t y = from.rect.y0; y < from.rect.y1; ++y) {
            for (int64_t x = from.rect.x0; x < from.rect.x1; ++x) {
                if (from.flags[from.index(x, y)] != 0) used = hull(used, {x, y, x + 1, y + 1});
            }
        }
        CoarseFrame out;
        if (used.empty()) {
            out.rect = {from.rect.x0, from.rect.y0, from.rect.x0, from.rect.y0};
            return out;
        }
        out.rect = aligned_outwards(used, kCell);
        const auto width = out.rect.width();
        const auto cut = [&](const auto& in, auto& to) {
            to.reserve(static_cast<size_t>(out.rect.area()));
            for (int64_t y = out.rect.y0; y < out.rect.y1; ++y) {
                const auto row =
                    in.begin() + static_cast<std::ptrdiff_t>(from.index(out.rect.x0, y));
                to.insert(to.end(), row, row + width);
            }
        };
        cut(from.flags, out.flags);
        for (size_t c = 0; c < 3; ++c) cut(from.value[c], out.value[c]);
        cut(from.detail, out.detail);
        return out;
    }

    const CoarseCanvas& coarse_;
    const Kernels& kernels_;
    CellCoords coords_;
};

}  // namespace

CoarseCanvas coarse_canvas_of(const Scene& scene) {
    const Canvas whole = make_canvas(scene, 1);
    double shortest = 1e9;
    for (const Frame& frame : scene.frames) {
        if (!frame.use) continue;
        const Camera& camera = scene.cameras.at(frame.camera);
        const double ratio = camera.focal_px * kRadPerDeg / whole.pixels_per_degree;
        shortest =
            std::min(shortest, static_cast<double>(std::min(camera.width, camera.height)) / ratio);
    }
    int step = 1;
    while (step < 8 && shortest / (2 * step) >= kLeastFrameSide) step *= 2;
    const double pixels = static_cast<double>(whole.width) * static_cast<double>(whole.height);
    while (step < kLargestStep && pixels / step / step > kMostCoarsePixels) step *= 2;
    return {make_canvas(scene, 1.0 / step), step};
}

std::string pack_bytes(const CoarseFrame& frame) {
    Packer p;
    p.number(frame.rect);
    p.list(frame.flags);
    for (const auto& v : frame.value) p.list(v);
    p.list(frame.detail);
    return std::move(p.bytes());
}

void unpack_bytes(std::string_view bytes, CoarseFrame& frame) {
    Unpacker u(bytes);
    frame.rect = u.number<Rect>();
    frame.flags = u.list<uint8_t>();
    for (auto& v : frame.value) v = u.list<int16_t>();
    frame.detail = u.list<uint8_t>();
}

size_t held_bytes(const CoarseFrame& frame) { return frame.flags.size() * 8 + 256; }

std::string pack_bytes(const std::vector<Patch>& patches) {
    Packer p;
    p.number<uint64_t>(patches.size());
    for (const Patch& patch : patches) {
        p.number(patch.column);
        p.number(patch.row);
        p.list(patch.grey);
    }
    return std::move(p.bytes());
}

void unpack_bytes(std::string_view bytes, std::vector<Patch>& patches) {
    Unpacker u(bytes);
    patches.resize(u.number<uint64_t>());
    for (Patch& patch : patches) {
        patch.column = u.number<int64_t>();
        patch.row = u.number<int64_t>();
        patch.grey = u.list<uint8_t>();
    }
}

size_t held_bytes(const std::vector<Patch>& patches) {
    size_t sum = 256;
    for (const Patch& patch : patches) sum += patch.grey.size() + sizeof(Patch) + 32;
    return sum;
}

CoarseSurvey::CoarseSurvey(size_t count, size_t budget_bytes, const std::filesystem::path& scratch)
    : file_(scratch),
      rects_(count),
      frames_(count, budget_bytes - budget_bytes / 4, file_),
      patches_(count, budget_bytes / 4, file_) {}

std::shared_ptr<const CoarseFrame> CoarseSurvey::get(size_t frame) const {
    return frames_.get(frame);
}

void CoarseSurvey::put(size_t frame, CoarseFrame coarse) {
    rects_[frame] = coarse.rect;
    frames_.put(frame, std::move(coarse));
}

void CoarseSurvey::put(size_t frame, std::vector<Patch> patches) {
    patches_.list.put(frame, std::move(patches));
}

void CoarseSurvey::hold_frames_only(size_t budget_bytes) {
    patches_.list.set_budget(0);
    frames_.set_budget(budget_bytes);
}

size_t survey_worker_bytes(const std::vector<SettleFrame>& frames, const CoarseCanvas& coarse) {
    const int d = decode_denominator(coarse.step);
    size_t most = 0;
    for (const SettleFrame& f : frames) {
        const auto pixels = static_cast<size_t>(f.info.stored_width * f.info.stored_height);
        // Its coarse twin before it is trimmed, packed and read back: a frame that stands on its
        // corner takes twice its area.
        const size_t coarse_bytes = 4 * 8 * pixels / static_cast<size_t>(coarse.step * coarse.step);
        most = std::max(most, frame_bytes(f.info, d) + frame_decode_bytes(f.info, d) +
                                  frame_bytes(f.info, coarse.step) + coarse_bytes);
    }
    return most + (3U << 20);
}

int64_t survey_disk_bytes(const std::vector<FrameGeometry>& geometry, const CoarseCanvas& coarse) {
    double bytes = 0;
    for (const FrameGeometry& g : geometry) {
        const double pixels =
            static_cast<double>(g.stored_width()) * static_cast<double>(g.stored_height());
        bytes += 8 * 2 * pixels / coarse.step / coarse.step + (1 << 20);
    }
    return static_cast<int64_t>(bytes);
}

void survey_frames(const std::vector<SettleFrame>& frames,
                   const std::vector<FrameGeometry>& geometry, const CoarseCanvas& coarse,
                   const PatchLattice* lattice, const Kernels& kernels, int workers,
                   const WorkHooks& hooks, CoarseSurvey& survey) {
    std::vector<std::vector<Rect>> blocks = blocks_of_frames(coarse.canvas, geometry);
    for (auto& b : blocks) unwrap(b, coarse.canvas);
    struct Worker {
        FramePixels pixels, reduced;
    };
    std::vector<Worker> scratch(static_cast<size_t>(workers));
    const int d = decode_denominator(coarse.step);
    WorkMeter meter("looking at the overlaps", frames.size(), hooks);
    for_each_index(frames.size(), workers, [&](size_t i, int worker) {
        meter.check_stop();
        Worker& w = scratch[static_cast<size_t>(worker)];
        const SettleFrame& f = frames[i];
        decode_frame(f.path, f.name, f.info, d, w.pixels);
        const int factor = coarse.step / d;
        reduce_pixels(w.pixels, f.info, factor, w.reduced);
        Look look(coarse, kernels);
        const FrameGeometry seen = geometry[i].with_masks_grown(kSightReach * coarse.step);
        survey.put(i, look.warp(blocks[i], seen, frame_sampler_of(w.reduced, seen, f.stage.get()),
                                fine_contrast(w.pixels, factor)));
        if (lattice != nullptr) {
            survey.put(
                i, cut_patches(*lattice, i, geometry[i],
                               frame_sampler_of(w.pixels, geometry[i], f.stage.get()), kernels));
        }
        meter.advance();
    });
}

}  // namespace broadloom
