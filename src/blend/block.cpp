#include "blend/block.hpp"

#include <algorithm>
#include <cstring>
#include <type_traits>

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

template <typename T>
T background_value(uint8_t level) {
    if constexpr (std::is_same_v<T, int16_t>) {
        return static_cast<T>(level << kWorkShift);
    } else {
        return static_cast<T>(level);
    }
}

/// Marks what lies within `reach` rows and columns of a mark, in a grid row by row.
void grow(std::vector<uint8_t>& marks, int64_t width, int64_t height, int64_t reach) {
    std::vector<uint8_t> line(static_cast<size_t>(std::max(width, height)));
    const auto along = [&](uint8_t* first, int64_t n, int64_t step) {
        for (int64_t i = 0; i < n; ++i) line[static_cast<size_t>(i)] = first[i * step];
        int64_t until = 0;  // marked before it
        for (int64_t i = 0; i < n; ++i) {
            if (line[static_cast<size_t>(i)] == 0) continue;
            until = std::max(until, i - reach);
            for (; until < std::min(n, i + reach + 1); ++until) first[until * step] = 1;
        }
    };
    for (int64_t y = 0; y < height; ++y) along(marks.data() + y * width, width, 1);
    for (int64_t x = 0; x < width; ++x) along(marks.data() + x, height, width);
}

}  // namespace

Rect block_surroundings(const Canvas& canvas, const Rect& rect, int bands) {
    return cut_to_canvas(canvas, bands == 0 ? rect : band_ranges(rect, bands).gauss[0]);
}

struct BlockRenderer::Job {
    const RegionMaps& maps;
    const LabelRegion& labels;
    std::span<const FrameSampler* const> samplers;
    Rect rect;
    uint8_t* rgbx = nullptr;
    uint16_t* rgba = nullptr;
    std::ptrdiff_t stride = 0;

    // Cells counted from the maps' corner.
    [[nodiscard]] CellRegion local_cells(const Rect& pixels) const {
        const CellRegion c = cells_of(pixels);
        const CellRegion& m = maps.region();
        return {c.x0 - m.x0, c.y0 - m.y0, c.x1 - m.x0, c.y1 - m.y0};
    }
    [[nodiscard]] int64_t pixel_x(int64_t cx) const { return (cx + maps.region().x0) * kCell; }
    [[nodiscard]] int64_t pixel_y(int64_t cy) const { return (cy + maps.region().y0) * kCell; }

    // Calls paint(x, y, n) for runs of n pixels of `area` that no frame covers.
    template <typename Paint>
    void each_uncovered(const Rect& area, const Paint& paint) const {
        const CellRegion cells = local_cells(area);
        for (int64_t cy = cells.y0; cy < cells.y1; ++cy) {
            for (int64_t cx = cells.x0; cx < cells.x1; ++cx) {
                const Label label = labels.cell(cx, cy);
                if (label >= 0) continue;
                const bool mixed = label == LabelRegion::kMixed;
                const Label* pixel = mixed ? labels.pixels(cx, cy).data() : nullptr;
                const Rect cell{pixel_x(cx), pixel_y(cy), pixel_x(cx + 1), pixel_y(cy + 1)};
                const Rect part = intersect(cell, area);
                for (int64_t y = part.y0; y < part.y1; ++y) {
                    if (!mixed) {
                        paint(part.x0, y, part.width());
                        continue;
                    }
                    for (int64_t x = part.x0; x < part.x1; ++x) {
                        if (pixel[(y - cell.y0) * kCell + x - cell.x0] < 0) paint(x, y, int64_t{1});
                    }
                }
            }
        }
    }
};

void BlockRenderer::render(const Rect& rect, const RegionMaps& maps, const LabelRegion& labels,
                           std::span<const FrameSampler* const> samplers,
                           uint8_t* rgbx,  // NOLINT(readability-non-const-parameter): Job writes
                           std::ptrdiff_t stride) {
    render_cores({maps, labels, samplers, rect, rgbx, nullptr, stride}, work_);
}

void BlockRenderer::render_deep(
    const Rect& rect, const RegionMaps& maps, const LabelRegion& labels,
    std::span<const FrameSampler* const> samplers,
    uint16_t* rgba,  // NOLINT(readability-non-const-parameter): as above
    std::ptrdiff_t stride) {
    render_cores({maps, labels, samplers, rect, nullptr, rgba, stride}, deep_);
}

template <typename T>
void BlockRenderer::render_cores(const Job& job, Planes<T>& planes) {
    const Rect& rect = job.rect;
    const int64_t side = std::max<int64_t>(options_.core, kCell);
    for (int64_t y = rect.y0; y < rect.y1; y += side) {
        for (int64_t x = rect.x0; x < rect.x1; x += side) {
            render_core(job, planes,
                        {x, y, std::min(x + side, rect.x1), std::min(y + side, rect.y1)});
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

template <typename T>
void BlockRenderer::render_core(const Job& job, Planes<T>& planes, const Rect& core) {
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
    for (WorkPlane<T>& p : planes.composite) p.reset(room);
    composited_.assign(static_cast<size_t>(room.area() / kCellArea), 0);
    const CellRegion inner = job.local_cells(core);
    for (int64_t cy = inner.y0; cy < inner.y1; ++cy) {
        for (int64_t cx = inner.x0; cx < inner.x1; ++cx) need_composite(job, planes, cx, cy);
    }
    double warped = monotonic_seconds();
    times_.warp += warped - start;
    if (!blended.empty()) {
        planes.correction.begin(ranges);
        for (const int k : owners) {
            const bool differs = difference(job, planes, k, halo);
            const double differed = monotonic_seconds();
            times_.warp += differed - warped;
            if (differs) planes.correction.add(planes.difference, planes.weight);
            warped = monotonic_seconds();
            times_.blend += warped - differed;
        }
        const auto& correction = planes.correction.finish();
        for (int64_t y = blended.y0; y < blended.y1; ++y) {
            for (size_t c = 0; c < 3; ++c) {
                planes.rows.add_row(planes.composite[c].at(blended.x0, y),
                                    correction[c].at(blended.x0, y), blended.width());
            }
        }
        // Bands reach over the frames' borders; the background stays what it is.
        if constexpr (std::is_same_v<T, int16_t>) {
            job.each_uncovered(blended, [&](int64_t x, int64_t y, int64_t n) {
                for (size_t c = 0; c < 3; ++c) {
                    std::fill_n(planes.composite[c].at(x, y), n,
                                background_value<T>(options_.background[c]));
                }
            });
        }
    }
    pack(job, planes, core);
    times_.blend += monotonic_seconds() - warped;
}

void BlockRenderer::pack(const Job& job, Planes<int16_t>& planes, const Rect& core) const {
    for (int64_t x0 = core.x0; x0 < core.x1;) {
        // Beyond the edge of a canvas that wraps stand the pixels of the other side.
        const int64_t turn = canvas_.wraps ? floor_div(x0, canvas_.width) * canvas_.width : 0;
        const int64_t x1 = canvas_.wraps ? std::min(core.x1, turn + canvas_.width) : core.x1;
        for (int64_t y = core.y0; y < core.y1; ++y) {
            kernels_.pack_row(planes.composite[0].at(x0, y), planes.composite[1].at(x0, y),
                              planes.composite[2].at(x0, y),
                              job.rgbx + (y - job.rect.y0) * job.stride + 4 * (x0 - job.rect.x0),
                              x1 - x0,
                              options_.dither ? Rounding::dithered(x0 - turn, y) : Rounding{});
        }
        x0 = x1;
    }
}

void BlockRenderer::pack(const Job& job, Planes<float>& planes, const Rect& core) const {
    const auto at = [&](int64_t x, int64_t y) {
        return job.rgba + (y - job.rect.y0) * job.stride + 4 * (x - job.rect.x0);
    };
    for (int64_t y = core.y0; y < core.y1; ++y) {
        kernels_.pack_deep_row(planes.composite[0].at(core.x0, y),
                               planes.composite[1].at(core.x0, y),
                               planes.composite[2].at(core.x0, y), at(core.x0, y), core.width());
    }
    job.each_uncovered(
        core, [&](int64_t x, int64_t y, int64_t n) { std::fill_n(at(x, y), 4 * n, uint16_t{0}); });
}

/// Makes the hard cut of one cell unless it is there: the core needs all of its cells, the halo
/// only those in which a frame differs.
template <typename T>
void BlockRenderer::need_composite(const Job& job, Planes<T>& planes, int64_t cx, int64_t cy) {
    const Rect& room = planes.composite[0].rect();
    const int64_t x = (job.pixel_x(cx) - room.x0) / kCell;
    const int64_t y = (job.pixel_y(cy) - room.y0) / kCell;
    uint8_t& there = composited_[static_cast<size_t>(y * (room.width() / kCell) + x)];
    if (there == 0) composite_cell(job, planes, cx, cy);
    there = 1;
}

template <typename T>
void BlockRenderer::composite_cell(const Job& job, Planes<T>& planes, int64_t cx, int64_t cy) {
    const int64_t x = job.pixel_x(cx);
    const int64_t y = job.pixel_y(cy);
    auto& composite = planes.composite;
    T* out[3] = {composite[0].at(x, y), composite[1].at(x, y), composite[2].at(x, y)};
    const int64_t stride = composite[0].stride();
    const Label label = job.labels.cell(cx, cy);
    if (label >= 0) {
        sample<T>(job, label, cx, cy, out, stride, nullptr);
        return;
    }
    for (size_t c = 0; c < 3; ++c) {
        for (int j = 0; j < kCell; ++j)
            std::fill_n(out[c] + j * stride, kCell, background_value<T>(options_.background[c]));
    }
    if (label != LabelRegion::kMixed) return;
    const auto& labels = job.labels.pixels(cx, cy);
    alignas(64) T buffer[3][kCellArea];
    T* sampled[3] = {buffer[0], buffer[1], buffer[2]};
    for (int k = 0; k < static_cast<int>(job.maps.frames().size()); ++k) {
        if (std::find(labels.begin(), labels.end(), static_cast<Label>(k)) == labels.end())
            continue;
        // Without pixels it owns none of the surroundings, only of the cell's part beyond them.
        if (job.samplers[static_cast<size_t>(k)] == nullptr) continue;
        sample<T>(job, k, cx, cy, sampled, kCell, nullptr);
        for (int i = 0; i < kCellArea; ++i) {
            if (labels[static_cast<size_t>(i)] != k) continue;
            for (int c = 0; c < 3; ++c) {
                out[c][i / kCell * stride + i % kCell] = buffer[c][i];
            }
        }
    }
}

/// Warps frame k over one cell; `inside`, when given, receives the view test.
template <typename T>
void BlockRenderer::sample(const Job& job, int k, int64_t cx, int64_t cy, T* const out[3],
                           std::ptrdiff_t stride, bool* inside) {
    const CellMap& map = job.maps.map(static_cast<size_t>(k));
    int64_t origin_x = 0;
    int64_t origin_y = 0;
    map.coordinates(cx, cy, kernels_, coords_, origin_x, origin_y);
    if (inside != nullptr) map.covered(coords_, origin_x, origin_y, inside);
    sample_frame(kernels_, *job.samplers[static_cast<size_t>(k)], origin_x, origin_y, coords_, out,
                 stride);
    if constexpr (!std::is_same_v<T, int16_t>) {
        for (int c = 0; c < 3; ++c) {
            for (int j = 0; j < kCell; ++j) {
                T* row = out[c] + j * stride;
                for (int i = 0; i < kCell; ++i) row[i] = std::min(std::max(row[i], T{0}), T{255});
            }
        }
    }
}

/// Frame k's differences from the composite and its weight over `rect`. False when it differs
/// nowhere near its weight.
template <typename T>
bool BlockRenderer::difference(const Job& job, Planes<T>& planes, int k, const Rect& rect) {
    const Rect inside_canvas = cut_to_canvas(canvas_, rect);
    const Rect room = aligned_outwards(rect, kCell);
    auto& [red, green, blue] = planes.difference;
    WorkPlane<T>& weight = planes.weight;
    for (WorkPlane<T>& p : planes.difference) p.reset(room);
    weight.reset(room);
    const CellRegion cells = job.local_cells(inside_canvas);
    const CellMap& map = job.maps.map(static_cast<size_t>(k));

    // Weight first; differences matter within its reach only.
    std::vector<uint8_t> near(static_cast<size_t>(cells.width() * cells.height()), 0);
    const int64_t weight_stride = weight.stride();
    for (int64_t cy = cells.y0; cy < cells.y1; ++cy) {
        for (int64_t cx = cells.x0; cx < cells.x1; ++cx) {
            T* w = weight.at(job.pixel_x(cx), job.pixel_y(cy));
            const Label label = job.labels.cell(cx, cy);
            bool any = false;
            if (label != LabelRegion::kMixed) {
                any = weight_owner(label) == k;
                for (int j = 0; j < kCell; ++j) {
                    std::fill_n(w + j * weight_stride, kCell, any ? kWeightOneOf<T> : T{0});
                }
            } else {
                const auto& labels = job.labels.pixels(cx, cy);
                for (int i = 0; i < kCellArea; ++i) {
                    const bool mine = weight_owner(labels[static_cast<size_t>(i)]) == k;
                    w[i / kCell * weight_stride + i % kCell] = mine ? kWeightOneOf<T> : T{0};
                    any = any || mine;
                }
            }
            near[static_cast<size_t>((cy - cells.y0) * cells.width() + cx - cells.x0)] =
                any ? 1 : 0;
        }
    }
    grow(near, cells.width(), cells.height(), ceil_div(seam_reach(options_.bands), kCell));

    bool differs = false;
    for (int64_t cy = cells.y0; cy < cells.y1; ++cy) {
        for (int64_t cx = cells.x0; cx < cells.x1; ++cx) {
            const int64_t x = job.pixel_x(cx);
            const int64_t y = job.pixel_y(cy);
            T* out[3] = {red.at(x, y), green.at(x, y), blue.at(x, y)};
            const int64_t stride = red.stride();
            const Coverage coverage = map.coverage(cx, cy);
            if (coverage == Coverage::none || job.labels.cell(cx, cy) == k ||
                near[static_cast<size_t>((cy - cells.y0) * cells.width() + cx - cells.x0)] == 0) {
                for (auto* o : out) {
                    for (int j = 0; j < kCell; ++j) std::fill_n(o + j * stride, kCell, T{0});
                }
                continue;
            }
            need_composite(job, planes, cx, cy);
            bool inside[kCellArea];
            sample<T>(job, k, cx, cy, out, stride, coverage == Coverage::part ? inside : nullptr);
            for (size_t c = 0; c < 3; ++c) {
                for (int j = 0; j < kCell; ++j) {
                    T* row = out[c] + j * stride;
                    planes.rows.subtract_row(row, row, planes.composite[c].at(x, y + j), kCell);
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
    for (WorkPlane<T>& p : planes.difference) replicate_edges(p, rect);
    replicate_edges(weight, rect);
    return true;
}

/// Continues the canvas's edge pixels outwards over `wanted`; nothing to do at an edge that wraps.
template <typename T>
void BlockRenderer::replicate_edges(WorkPlane<T>& plane, const Rect& wanted) const {
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
        std::memcpy(plane.at(wanted.x0, y), plane.at(wanted.x0, inner.y0), width * sizeof(T));
    }
    for (int64_t y = inner.y1; y < wanted.y1; ++y) {
        std::memcpy(plane.at(wanted.x0, y), plane.at(wanted.x0, inner.y1 - 1), width * sizeof(T));
    }
}

size_t BlockRenderer::bytes_bound(const BlockOptions& options, bool deep) {
    const int64_t halo = options.bands > 0 ? seam_reach(options.bands) : 0;
    const auto side =
        static_cast<size_t>(options.core + 2 * halo + 2 * kCell + 2 * WorkPlane<float>::kMargin);
    // Composite, difference and weight at full size; the sums; a third of five planes for the
    // levels.
    const size_t planes = 7 + 3 + 3;
    return planes * side * side * (deep ? sizeof(float) : sizeof(int16_t)) + (1U << 16);
}

}  // namespace broadloom
