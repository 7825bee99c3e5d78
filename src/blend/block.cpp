#include "blend/block.hpp"

#include <algorithm>
#include <cstring>

#include "base/stopwatch.hpp"

namespace broadloom {

namespace {

Rect cut_to_canvas(const Canvas& canvas, Rect r) {
    r.y0 = std::max<int64_t>(r.y0, 0);
    r.y1 = std::min(r.y1, canvas.height);
    if (!canvas.wraps) {
        r.x0 = std::max<int64_t>(r.x0, 0);
        r.x1 = std::min(r.x1, canvas.width);
    }
    return r;
}

}  // namespace

Rect block_surroundings(const Canvas& canvas, const Rect& rect, int bands) {
    return cut_to_canvas(canvas, bands == 0 ? rect : band_ranges(rect, bands).gauss[0]);
}

struct BlockRenderer::Job {
    const RegionMaps& maps;
    const LabelRegion& labels;
    std::span<const FrameSampler* const> samplers;
    uint8_t* rgbx;
    std::ptrdiff_t stride;
    Rect rect;

    // Cells counted from the maps' corner.
    [[nodiscard]] CellRegion local_cells(const Rect& pixels) const {
        const CellRegion c = cells_of(pixels);
        const CellRegion& m = maps.region();
        return {c.x0 - m.x0, c.y0 - m.y0, c.x1 - m.x0, c.y1 - m.y0};
    }
    [[nodiscard]] int64_t pixel_x(int64_t cx) const { return (cx + maps.region().x0) * kCell; }
    [[nodiscard]] int64_t pixel_y(int64_t cy) const { return (cy + maps.region().y0) * kCell; }
};

void BlockRenderer::render(const Rect& rect, const RegionMaps& maps, const LabelRegion& labels,
                           std::span<const FrameSampler* const> samplers,
                           uint8_t* rgbx,  // NOLINT(readability-non-const-parameter): Job writes
                           std::ptrdiff_t stride) {
    const Job job{maps, labels, samplers, rgbx, stride, rect};
    const int64_t core = std::max<int64_t>(options_.core, kCell);
    for (int64_t y = rect.y0; y < rect.y1; y += core) {
        for (int64_t x = rect.x0; x < rect.x1; x += core) {
            render_core(job, {x, y, std::min(x + core, rect.x1), std::min(y + core, rect.y1)});
        }
    }
}

/// The part of a core that a seam can reach, as a rectangle of whole cells cut to the core; empty
/// when none does. `around` is everything that decides about the core.
Rect BlockRenderer::near_seams(const Job& job, const Rect& core, const Rect& around) const {
    const CellRegion cells = job.local_cells(around);
    const int64_t reach = ceil_div(seam_reach(options_.bands), kCell);
    const auto owner = [&](int64_t cx, int64_t cy) {
        const Label label = job.labels.cell(cx, cy);
        return label == LabelRegion::kMixed ? int{INT16_MIN} : weight_owner(label);
    };
    Rect found;  // in cells
    for (int64_t cy = cells.y0; cy < cells.y1; ++cy) {
        for (int64_t cx = cells.x0; cx < cells.x1; ++cx) {
            // Seams run inside mixed cells and along the edges between unlike ones.
            const int here = owner(cx, cy);
            const bool mixed = here == INT16_MIN;
            if (mixed || (cx > cells.x0 && owner(cx - 1, cy) != here)) {
                found = hull(
                    found, {cx - reach, cy - reach, cx + (mixed ? 1 : 0) + reach, cy + 1 + reach});
            }
            if (!mixed && cy > cells.y0 && owner(cx, cy - 1) != here) {
                found = hull(found, {cx - reach, cy - reach, cx + 1 + reach, cy + reach});
            }
        }
    }
    if (found.empty()) return {};
    return intersect(core, {job.pixel_x(found.x0), job.pixel_y(found.y0), job.pixel_x(found.x1),
                            job.pixel_y(found.y1)});
}

void BlockRenderer::render_core(const Job& job, const Rect& core) {
    const double start = monotonic_seconds();
    Rect blended;
    BandRanges ranges;
    std::vector<int> owners;
    if (options_.bands > 0) {
        const Rect around = cut_to_canvas(canvas_, band_ranges(core, options_.bands).gauss[0]);
        if (job.labels.owners(around).size() > 1) blended = near_seams(job, core, around);
        if (!blended.empty()) {
            ranges = band_ranges(blended, options_.bands);
            owners = job.labels.owners(cut_to_canvas(canvas_, ranges.gauss[0]));
        }
    }
    const Rect halo = blended.empty() ? Rect{} : ranges.gauss[0];
    const Rect room = aligned_outwards(hull(core, halo), kCell);
    for (WorkPlane& p : composite_) p.reset(room);
    composited_.assign(static_cast<size_t>(room.area() / kCellArea), 0);
    const CellRegion inner = job.local_cells(core);
    for (int64_t cy = inner.y0; cy < inner.y1; ++cy) {
        for (int64_t cx = inner.x0; cx < inner.x1; ++cx) need_composite(job, cx, cy);
    }
    double warped = monotonic_seconds();
    times_.warp += warped - start;
    if (!blended.empty()) {
        correction_.begin(ranges);
        for (const int k : owners) {
            const bool differs = difference(job, k, halo);
            const double differed = monotonic_seconds();
            times_.warp += differed - warped;
            if (differs) correction_.add(difference_, weight_);
            warped = monotonic_seconds();
            times_.blend += warped - differed;
        }
        const auto& correction = correction_.finish();
        for (int64_t y = blended.y0; y < blended.y1; ++y) {
            for (size_t c = 0; c < 3; ++c) {
                kernels_.add_row(composite_[c].at(blended.x0, y), correction[c].at(blended.x0, y),
                                 blended.width());
            }
        }
    }
    for (int64_t y = core.y0; y < core.y1; ++y) {
        kernels_.pack_row(composite_[0].at(core.x0, y), composite_[1].at(core.x0, y),
                          composite_[2].at(core.x0, y),
                          job.rgbx + (y - job.rect.y0) * job.stride + 4 * (core.x0 - job.rect.x0),
                          core.width());
    }
    times_.blend += monotonic_seconds() - warped;
}

/// Makes the hard cut of one cell unless it is there: the core needs all of its cells, the halo
/// only those in which a frame differs.
void BlockRenderer::need_composite(const Job& job, int64_t cx, int64_t cy) {
    const Rect& room = composite_[0].rect();
    const int64_t x = (job.pixel_x(cx) - room.x0) / kCell;
    const int64_t y = (job.pixel_y(cy) - room.y0) / kCell;
    uint8_t& there = composited_[static_cast<size_t>(y * (room.width() / kCell) + x)];
    if (there == 0) composite_cell(job, cx, cy);
    there = 1;
}

void BlockRenderer::composite_cell(const Job& job, int64_t cx, int64_t cy) {
    const int64_t x = job.pixel_x(cx);
    const int64_t y = job.pixel_y(cy);
    int16_t* out[3] = {composite_[0].at(x, y), composite_[1].at(x, y), composite_[2].at(x, y)};
    const int64_t stride = composite_[0].stride();
    const Label label = job.labels.cell(cx, cy);
    if (label >= 0) {
        sample(job, label, cx, cy, out, stride, nullptr);
        return;
    }
    for (size_t c = 0; c < 3; ++c) {
        const auto value = static_cast<int16_t>(options_.background[c] << kWorkShift);
        for (int j = 0; j < kCell; ++j) std::fill_n(out[c] + j * stride, kCell, value);
    }
    if (label != LabelRegion::kMixed) return;
    const auto& labels = job.labels.pixels(cx, cy);
    alignas(64) int16_t buffer[3][kCellArea];
    int16_t* sampled[3] = {buffer[0], buffer[1], buffer[2]};
    for (int k = 0; k < static_cast<int>(job.maps.frames.size()); ++k) {
        if (std::find(labels.begin(), labels.end(), static_cast<Label>(k)) == labels.end())
            continue;
        // Without pixels it owns none of the surroundings, only of the cell's part beyond them.
        if (job.samplers[static_cast<size_t>(k)] == nullptr) continue;
        sample(job, k, cx, cy, sampled, kCell, nullptr);
        for (int i = 0; i < kCellArea; ++i) {
            if (labels[static_cast<size_t>(i)] != k) continue;
            for (int c = 0; c < 3; ++c) {
                out[c][i / kCell * stride + i % kCell] = buffer[c][i];
            }
        }
    }
}

/// Warps frame k over one cell; `inside`, when given, receives the view test.
void BlockRenderer::sample(const Job& job, int k, int64_t cx, int64_t cy, int16_t* const out[3],
                           std::ptrdiff_t stride, bool* inside) {
    const CellMap& map = job.maps.maps[static_cast<size_t>(k)];
    int64_t origin_x = 0;
    int64_t origin_y = 0;
    map.coordinates(cx, cy, kernels_, coords_, origin_x, origin_y);
    if (inside != nullptr) map.covered(coords_, origin_x, origin_y, inside);
    const CellSampler sampler = job.samplers[static_cast<size_t>(k)]->cell(origin_x, origin_y);
    kernels_.sample_cell(sampler, coords_, out[0], out[1], out[2], stride);
}

/// Frame k's differences from the composite and its weight over `rect`. False when it differs
/// nowhere near its weight.
bool BlockRenderer::difference(const Job& job, int k, const Rect& rect) {
    const Rect inside_canvas = cut_to_canvas(canvas_, rect);
    const Rect room = aligned_outwards(rect, kCell);
    for (WorkPlane& p : difference_) p.reset(room);
    weight_.reset(room);
    const CellRegion cells = job.local_cells(inside_canvas);
    const CellMap& map = job.maps.maps[static_cast<size_t>(k)];

    // Weight first; its bounding box bounds where differences matter.
    CellRegion near{cells.x1, cells.y1, cells.x0, cells.y0};
    const int64_t weight_stride = weight_.stride();
    for (int64_t cy = cells.y0; cy < cells.y1; ++cy) {
        for (int64_t cx = cells.x0; cx < cells.x1; ++cx) {
            int16_t* w = weight_.at(job.pixel_x(cx), job.pixel_y(cy));
            const Label label = job.labels.cell(cx, cy);
            bool any = false;
            if (label != LabelRegion::kMixed) {
                any = weight_owner(label) == k;
                for (int j = 0; j < kCell; ++j) {
                    std::fill_n(w + j * weight_stride, kCell, any ? kWeightOne : int16_t{0});
                }
            } else {
                const auto& labels = job.labels.pixels(cx, cy);
                for (int i = 0; i < kCellArea; ++i) {
                    const bool mine = weight_owner(labels[static_cast<size_t>(i)]) == k;
                    w[i / kCell * weight_stride + i % kCell] = mine ? kWeightOne : int16_t{0};
                    any = any || mine;
                }
            }
            if (any) {
                near = {std::min(near.x0, cx), std::min(near.y0, cy), std::max(near.x1, cx + 1),
                        std::max(near.y1, cy + 1)};
            }
        }
    }
    const int64_t reach = ceil_div(seam_reach(options_.bands), kCell);
    near = {near.x0 - reach, near.y0 - reach, near.x1 + reach, near.y1 + reach};

    bool differs = false;
    for (int64_t cy = cells.y0; cy < cells.y1; ++cy) {
        for (int64_t cx = cells.x0; cx < cells.x1; ++cx) {
            const int64_t x = job.pixel_x(cx);
            const int64_t y = job.pixel_y(cy);
            int16_t* out[3] = {difference_[0].at(x, y), difference_[1].at(x, y),
                               difference_[2].at(x, y)};
            const int64_t stride = difference_[0].stride();
            const Coverage coverage = map.coverage(cx, cy);
            if (coverage == Coverage::none || job.labels.cell(cx, cy) == k || cx < near.x0 ||
                cx >= near.x1 || cy < near.y0 || cy >= near.y1) {
                for (auto* o : out) {
                    for (int j = 0; j < kCell; ++j) std::fill_n(o + j * stride, kCell, int16_t{0});
                }
                continue;
            }
            need_composite(job, cx, cy);
            bool inside[kCellArea];
            sample(job, k, cx, cy, out, stride, coverage == Coverage::part ? inside : nullptr);
            for (size_t c = 0; c < 3; ++c) {
                for (int j = 0; j < kCell; ++j) {
                    int16_t* row = out[c] + j * stride;
                    kernels_.subtract_row(row, row, composite_[c].at(x, y + j), kCell);
                    if (coverage == Coverage::part) {
                        for (int i = 0; i < kCell; ++i) {
                            if (!inside[j * kCell + i]) row[i] = 0;
                        }
                    }
                }
            }
            differs = true;
        }
    }
    if (!differs) return false;
    for (WorkPlane& p : difference_) replicate_edges(p, rect);
    replicate_edges(weight_, rect);
    return true;
}

/// Continues the canvas's edge pixels outwards over `wanted`; nothing to do at an edge that wraps.
void BlockRenderer::replicate_edges(WorkPlane& plane, const Rect& wanted) const {
    const Rect inner = cut_to_canvas(canvas_, wanted);
    if (inner == wanted) return;
    const auto width = static_cast<size_t>(wanted.width());
    for (int64_t y = inner.y0; y < inner.y1; ++y) {
        if (inner.x0 > wanted.x0) {
            std::fill_n(plane.at(wanted.x0, y), inner.x0 - wanted.x0, *plane.at(inner.x0, y));
        }
        if (wanted.x1 > inner.x1) {
            std::fill_n(plane.at(inner.x1, y), wanted.x1 - inner.x1, *plane.at(inner.x1 - 1, y));
        }
    }
    for (int64_t y = wanted.y0; y < inner.y0; ++y) {
        std::memcpy(plane.at(wanted.x0, y), plane.at(wanted.x0, inner.y0), width * sizeof(int16_t));
    }
    for (int64_t y = inner.y1; y < wanted.y1; ++y) {
        std::memcpy(plane.at(wanted.x0, y), plane.at(wanted.x0, inner.y1 - 1),
                    width * sizeof(int16_t));
    }
}

size_t BlockRenderer::bytes_bound(const BlockOptions& options) {
    const int64_t halo = options.bands > 0 ? seam_reach(options.bands) : 0;
    const auto side =
        static_cast<size_t>(options.core + 2 * halo + 2 * kCell + 2 * WorkPlane::kMargin);
    // Composite, difference and weight at full size; the sums; a third of five planes for the
    // levels.
    return (7 + 3 + 3) * side * side * sizeof(int16_t) + (1U << 16);
}

}  // namespace broadloom
