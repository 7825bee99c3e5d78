#include "support/whole_canvas.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "canvas/cell_map.hpp"
#include "image/kernels.hpp"

namespace broadloom::test {

namespace {

/// Limits of 16 and of 15 bits, where the working format has them.
int32_t limit16(int32_t v) { return std::clamp(v, -32768, 32767); }

/// A whole level of a pyramid. Its first sample stands at `left`, `top` on the level's lattice. In
/// x it wraps or ends like in y, where the last sample is repeated outwards.
template <typename T>
struct Level {
    int64_t left = 0, top = 0, width = 0, height = 0;
    bool wraps = false;
    std::vector<T> values;

    Level() = default;
    Level(int64_t x, int64_t y, int64_t w, int64_t h, bool wrap)
        : left(x), top(y), width(w), height(h), wraps(wrap), values(static_cast<size_t>(w * h)) {}
    [[nodiscard]] int64_t column(int64_t x) const {
        if (wraps) return ((x % width) + width) % width;
        return std::clamp<int64_t>(x, 0, width - 1);
    }
    [[nodiscard]] int64_t row(int64_t y) const { return std::clamp<int64_t>(y, 0, height - 1); }
    [[nodiscard]] T& at(int64_t x, int64_t y) { return values[static_cast<size_t>(y * width + x)]; }
    [[nodiscard]] const T& at(int64_t x, int64_t y) const {
        return values[static_cast<size_t>(y * width + x)];
    }
};

int32_t divided(int32_t sum, int shift) { return (sum + (1 << (shift - 1))) >> shift; }
template <typename T>
T divided(T sum, int shift) {
    return sum / static_cast<T>(1 << shift);
}

/// Sums as the kernels associate them, which matters to floats.
template <typename T>
T five_taps(T a, T b, T c, T d, T e) {
    return ((a + e) + 4 * (b + d)) + 6 * c;
}

/// REDUCE with 1 4 6 4 1: first along y, then along x, one rounding at the end.
template <typename T>
Level<T> reduce(const Level<T>& fine) {
    Level<T> coarse(fine.left / 2, fine.top / 2, fine.width / 2, fine.height / 2, fine.wraps);
    Level<T> down(0, 0, fine.width, coarse.height, fine.wraps);
    for (int64_t y = 0; y < coarse.height; ++y) {
        int64_t r[5];
        for (int i = 0; i < 5; ++i) r[i] = fine.row(2 * y + i - 2);
        for (int64_t x = 0; x < fine.width; ++x) {
            down.at(x, y) = five_taps(fine.at(x, r[0]), fine.at(x, r[1]), fine.at(x, r[2]),
                                      fine.at(x, r[3]), fine.at(x, r[4]));
        }
    }
    for (int64_t x = 0; x < coarse.width; ++x) {
        int64_t c[5];
        for (int i = 0; i < 5; ++i) c[i] = fine.column(2 * x + i - 2);
        for (int64_t y = 0; y < coarse.height; ++y) {
            coarse.at(x, y) =
                divided(five_taps(down.at(c[0], y), down.at(c[1], y), down.at(c[2], y),
                                  down.at(c[3], y), down.at(c[4], y)),
                        8);
        }
    }
    return coarse;
}

/// EXPAND: even samples 1 6 1, odd samples 4 4, of 8, in either direction.
template <typename T>
Level<T> expand(const Level<T>& coarse) {
    Level<T> fine(coarse.left * 2, coarse.top * 2, coarse.width * 2, coarse.height * 2,
                  coarse.wraps);
    Level<T> down(0, 0, coarse.width, fine.height, coarse.wraps);
    for (int64_t y = 0; y < coarse.height; ++y) {
        const int64_t before = coarse.row(y - 1);
        const int64_t after = coarse.row(y + 1);
        for (int64_t x = 0; x < coarse.width; ++x) {
            const T mid = coarse.at(x, y);
            const T next = coarse.at(x, after);
            down.at(x, 2 * y) = (coarse.at(x, before) + next) + 6 * mid;
            down.at(x, 2 * y + 1) = 4 * (mid + next);
        }
    }
    for (int64_t x = 0; x < coarse.width; ++x) {
        const int64_t before = coarse.column(x - 1);
        const int64_t after = coarse.column(x + 1);
        for (int64_t y = 0; y < fine.height; ++y) {
            const T mid = down.at(x, y);
            const T next = down.at(after, y);
            fine.at(2 * x, y) = divided((down.at(before, y) + next) + 6 * mid, 6);
            fine.at(2 * x + 1, y) = divided(4 * (mid + next), 6);
        }
    }
    return fine;
}

template <typename T>
std::vector<Level<T>> gaussian_pyramid(Level<T> base, int bands) {
    std::vector<Level<T>> levels{std::move(base)};
    for (int l = 0; l < bands; ++l) levels.push_back(reduce(levels.back()));
    return levels;
}

/// Level 0 of a pyramid over the whole canvas and as much replicated surroundings, on the lattice
/// of the coarsest level, as can reach into the canvas.
template <typename T, typename Get>
Level<T> padded(const Canvas& canvas, int bands, const Get& get) {
    const int64_t pad = int64_t{4} << bands;
    const int64_t step = int64_t{1} << bands;
    const int64_t side = canvas.wraps ? 0 : pad;
    const int64_t width =
        canvas.wraps ? canvas.width : ceil_div(canvas.width, step) * step + 2 * pad;
    const int64_t height = ceil_div(canvas.height, step) * step + 2 * pad;
    Level<T> level(-side, -pad, width, height, canvas.wraps);
    for (int64_t y = 0; y < height; ++y) {
        const int64_t cy = std::clamp<int64_t>(y - pad, 0, canvas.height - 1);
        for (int64_t x = 0; x < width; ++x) {
            const int64_t cx = std::clamp<int64_t>(x - side, 0, canvas.width - 1);
            level.at(x, y) = get(cx, cy);
        }
    }
    return level;
}

}  // namespace

WholeCanvas::WholeCanvas(const Canvas& canvas, const std::vector<FrameGeometry>& geometry,
                         const std::vector<FrameSampler>& samplers,
                         std::array<uint8_t, 3> background)
    : canvas_(canvas), frames_(geometry.size()) {
    const auto area = static_cast<size_t>(canvas.width * canvas.height);
    for (size_t i = 0; i < geometry.size(); ++i) warp(geometry[i], samplers[i], frames_[i]);
    choose_labels();
    for (size_t c = 0; c < 3; ++c) {
        composite_[c].resize(area);
        deep_composite_[c].resize(area);
        for (size_t p = 0; p < area; ++p) {
            if (source_[p] < 0) {
                composite_[c][p] = static_cast<int16_t>(background[c] * 32);
                deep_composite_[c][p] = static_cast<float>(background[c]);
                continue;
            }
            const WarpedFrame& frame = frames_[static_cast<size_t>(source_[p])];
            composite_[c][p] = frame.value[c][p];
            deep_composite_[c][p] = frame.deep[c][p];
        }
    }
}

void WholeCanvas::warp(const FrameGeometry& geometry, const FrameSampler& sampler,
                       WarpedFrame& out) const {
    const auto area = static_cast<size_t>(canvas_.width * canvas_.height);
    out.covered.assign(area, 0);
    out.kept.assign(area, 0);
    out.score.assign(area, -2);
    out.cone_cos = geometry.cone_cos();
    for (auto& plane : out.value) plane.assign(area, 0);
    for (auto& plane : out.deep) plane.assign(area, 0);
    const CellRegion region = cells_of({0, 0, canvas_.width, canvas_.height});
    const LatticeDirections directions(canvas_, region);
    const CellMap map(directions, geometry);
    for (int64_t cy = 0; cy < region.height(); ++cy) {
        for (int64_t cx = 0; cx < region.width(); ++cx) {
            double s[4];
            map.corner_scores(cx, cy, s);
            CellCoords coords;
            int64_t origin_x = 0;
            int64_t origin_y = 0;
            bool inside[kCellArea] = {};
            bool kept[kCellArea] = {};
            int16_t sample[3][kCellArea] = {};
            float deep[3][kCellArea] = {};
            if (map.coverage(cx, cy) != Coverage::none) {
                map.coordinates(cx, cy, plain_kernels(), coords, origin_x, origin_y);
                map.covered(coords, origin_x, origin_y, inside);
                map.kept(coords, origin_x, origin_y, kept);
                const CellSampler cell = sampler.cell(origin_x, origin_y);
                plain_kernels().sample_cell(cell, coords, sample[0], sample[1], sample[2], kCell);
                plain_kernels().sample_cell_float(cell, coords, deep[0], deep[1], deep[2], kCell);
            }
            for (int j = 0; j < kCell; ++j) {
                for (int k = 0; k < kCell; ++k) {
                    const int64_t x = cx * kCell + k;
                    const int64_t y = cy * kCell + j;
                    if (x >= canvas_.width || y >= canvas_.height) continue;
                    const double tx = (k + 0.5) / kCell;
                    const double ty = (j + 0.5) / kCell;
                    const double upper = s[0] + (s[1] - s[0]) * tx;
                    const double lower = s[2] + (s[3] - s[2]) * tx;
                    const size_t p = index(x, y);
                    out.score[p] = upper + (lower - upper) * ty;
                    out.covered[p] = inside[j * kCell + k] ? 1 : 0;
                    out.kept[p] = kept[j * kCell + k] ? 1 : 0;
                    for (size_t c = 0; c < 3; ++c) {
                        out.value[c][p] = sample[c][j * kCell + k];
                        out.deep[c][p] = std::clamp(deep[c][j * kCell + k], 0.0F, 255.0F);
                    }
                }
            }
        }
    }
}

void WholeCanvas::choose_labels() {
    const auto area = static_cast<size_t>(canvas_.width * canvas_.height);
    source_.assign(area, -1);
    owner_.assign(area, -1);
    for (size_t p = 0; p < area; ++p) {
        double best = -2;
        for (size_t i = 0; i < frames_.size(); ++i) {
            if (frames_[i].covered[p] != 0 && frames_[i].score[p] > best) {
                best = frames_[i].score[p];
                source_[p] = owner_[p] = static_cast<int>(i);
            }
        }
        for (size_t i = frames_.size(); i-- > 0;) {
            if (frames_[i].kept[p] != 0) source_[p] = owner_[p] = static_cast<int>(i);
        }
        if (source_[p] >= 0) continue;
        for (size_t i = 0; i < frames_.size(); ++i) {
            if (frames_[i].score[p] >= frames_[i].cone_cos && frames_[i].score[p] > best) {
                best = frames_[i].score[p];
                owner_[p] = static_cast<int>(i);
            }
        }
    }
}

namespace {

/// What 16-bit working values and floats do differently.
int32_t difference(int16_t a, int16_t b) { return std::clamp(a - b, -16383, 16383); }
float difference(float a, float b) { return a - b; }
int32_t limited(int32_t v) { return limit16(v); }
float limited(float v) { return v; }
/// sum + weight * band; a 16-bit weight of one is -32768, so that the product is subtracted.
int32_t with_share(int32_t sum, int32_t band, int32_t weight) {
    return limit16(sum - limit16((band * weight + 16384) >> 15));
}
float with_share(float sum, float band, float weight) { return sum + weight * band; }

}  // namespace

std::vector<uint8_t> WholeCanvas::to_bytes(const std::array<std::vector<int16_t>, 3>& value) const {
    std::vector<uint8_t> out(value[0].size() * 4, 255);
    for (int64_t y = 0; y < canvas_.height; ++y) {
        for (int64_t x = 0; x < canvas_.width; ++x) {
            // The dither in exact arithmetic: the fraction of multiples of the plastic number's
            // inverse and its square, to 32 bits.
            const uint64_t turn =
                (static_cast<uint64_t>(x) * 3242174889U + static_cast<uint64_t>(y) * 2447445414U) %
                (uint64_t{1} << 32);
            const auto offset = static_cast<int32_t>(turn / (uint64_t{1} << 27));
            const size_t p = index(x, y);
            for (size_t c = 0; c < 3; ++c) {
                const int32_t v = value[c][p] + (dithered_ ? offset : 16);
                out[4 * p + c] = static_cast<uint8_t>(std::clamp(v >> 5, 0, 255));
            }
        }
    }
    return out;
}

std::vector<uint16_t> WholeCanvas::to_sixteen(
    const std::array<std::vector<float>, 3>& value) const {
    std::vector<uint16_t> out(value[0].size() * 4, 0);
    for (size_t p = 0; p < value[0].size(); ++p) {
        if (source_[p] < 0) continue;
        for (size_t c = 0; c < 3; ++c) {
            const float v = std::clamp(value[c][p] * 257.0F, 0.0F, 65535.0F);
            out[4 * p + c] = static_cast<uint16_t>(std::lrint(v));
        }
        out[4 * p + 3] = 65535;
    }
    return out;
}

std::vector<uint8_t> WholeCanvas::hard_cut() const { return to_bytes(composite_); }

std::vector<uint8_t> WholeCanvas::blended(int bands) const {
    return to_bytes(blend<int32_t>(
        bands, composite_, [](const WarpedFrame& f) -> const auto& { return f.value; }, -32768));
}

std::vector<uint16_t> WholeCanvas::hard_cut_deep() const { return to_sixteen(deep_composite_); }

std::vector<uint16_t> WholeCanvas::blended_deep(int bands) const {
    return to_sixteen(blend<float>(
        bands, deep_composite_, [](const WarpedFrame& f) -> const auto& { return f.deep; }, 1.0F));
}

template <typename Sum, typename Value, typename Planes>
std::array<std::vector<Value>, 3> WholeCanvas::blend(
    int bands, const std::array<std::vector<Value>, 3>& composite, const Planes& planes_of, Sum one,
    double* largest_on_background) const {
    double on_background = 0;
    const auto top = static_cast<size_t>(bands);
    std::array<std::vector<Level<Sum>>, 3> sum;
    for (size_t i = 0; i < frames_.size(); ++i) {
        const auto& planes = planes_of(frames_[i]);
        const auto weight = gaussian_pyramid(
            padded<Sum>(canvas_, bands,
                        [&](int64_t x, int64_t y) {
                            return owner(x, y) == static_cast<int>(i) ? one : Sum{0};
                        }),
            bands);
        for (size_t c = 0; c < 3; ++c) {
            const auto differences =
                gaussian_pyramid(padded<Sum>(canvas_, bands,
                                             [&](int64_t x, int64_t y) {
                                                 const size_t p = index(x, y);
                                                 if (frames_[i].covered[p] == 0 ||
                                                     source_[p] == static_cast<int>(i)) {
                                                     return Sum{0};
                                                 }
                                                 return difference(planes[c][p], composite[c][p]);
                                             }),
                                 bands);
            if (sum[c].empty()) {
                for (const auto& level : differences) {
                    sum[c].push_back(level);
                    std::fill(sum[c].back().values.begin(), sum[c].back().values.end(), Sum{0});
                }
            }
            for (size_t l = 0; l <= top; ++l) {
                Level<Sum> band = differences[l];
                if (l < top) {
                    const auto coarse = expand(differences[l + 1]);
                    for (size_t v = 0; v < band.values.size(); ++v) {
                        band.values[v] = limited(band.values[v] - limited(coarse.values[v]));
                    }
                }
                for (size_t v = 0; v < band.values.size(); ++v) {
                    Sum& s = sum[c][l].values[v];
                    s = with_share(s, band.values[v], weight[l].values[v]);
                }
            }
        }
    }
    std::array<std::vector<Value>, 3> out = composite;
    for (size_t c = 0; c < 3 && !frames_.empty(); ++c) {
        for (size_t l = top; l > 0; --l) {
            const auto coarse = expand(sum[c][l]);
            for (size_t v = 0; v < coarse.values.size(); ++v) {
                sum[c][l - 1].values[v] =
                    limited(sum[c][l - 1].values[v] + limited(coarse.values[v]));
            }
        }
        const Level<Sum>& correction = sum[c][0];
        for (int64_t y = 0; y < canvas_.height; ++y) {
            for (int64_t x = 0; x < canvas_.width; ++x) {
                if (source_[index(x, y)] < 0) {  // the background stays
                    const auto there =
                        static_cast<double>(correction.at(x - correction.left, y - correction.top));
                    on_background = std::max(on_background, std::abs(there));
                    continue;
                }
                Value& v = out[c][index(x, y)];
                v = static_cast<Value>(
                    limited(v + correction.at(x - correction.left, y - correction.top)));
            }
        }
    }
    if (largest_on_background != nullptr) *largest_on_background = on_background;
    return out;
}

double WholeCanvas::correction_on_background(int bands) const {
    double largest = 0;
    blend<float>(
        bands, deep_composite_, [](const WarpedFrame& f) -> const auto& { return f.deep; }, 1.0F,
        &largest);
    return largest;
}

std::vector<double> WholeCanvas::blended_in_doubles(int bands) const {
    const auto top = static_cast<size_t>(bands);
    std::vector<double> out(static_cast<size_t>(canvas_.width * canvas_.height) * 3);
    for (size_t c = 0; c < 3; ++c) {
        std::vector<Level<double>> sum(top + 1);
        std::vector<Level<double>> total(top + 1);
        for (size_t i = 0; i < frames_.size(); ++i) {
            const auto weight = gaussian_pyramid(
                padded<double>(canvas_, bands,
                               [&](int64_t x, int64_t y) {
                                   return owner(x, y) == static_cast<int>(i) ? 1.0 : 0.0;
                               }),
                bands);
            const auto picture = gaussian_pyramid(
                padded<double>(canvas_, bands,
                               [&](int64_t x, int64_t y) -> double {
                                   const size_t p = index(x, y);
                                   return frames_[i].covered[p] != 0 ? frames_[i].value[c][p]
                                                                     : composite_[c][p];
                               }),
                bands);
            for (size_t l = 0; l <= top; ++l) {
                Level<double> band = picture[l];
                if (l < top) {
                    const auto coarse = expand(picture[l + 1]);
                    for (size_t v = 0; v < band.values.size(); ++v)
                        band.values[v] -= coarse.values[v];
                }
                if (i == 0) {
                    sum[l] = band;
                    std::fill(sum[l].values.begin(), sum[l].values.end(), 0.0);
                    total[l] = sum[l];
                }
                for (size_t v = 0; v < band.values.size(); ++v) {
                    sum[l].values[v] += weight[l].values[v] * band.values[v];
                    total[l].values[v] += weight[l].values[v];
                }
            }
        }
        for (size_t l = 0; l <= top; ++l) {
            for (size_t v = 0; v < sum[l].values.size(); ++v) {
                if (total[l].values[v] > 0) sum[l].values[v] /= total[l].values[v];
            }
        }
        for (size_t l = top; l > 0; --l) {
            const auto coarse = expand(sum[l]);
            for (size_t v = 0; v < coarse.values.size(); ++v)
                sum[l - 1].values[v] += coarse.values[v];
        }
        for (int64_t y = 0; y < canvas_.height; ++y) {
            for (int64_t x = 0; x < canvas_.width; ++x) {
                const double v = sum[0].at(x - sum[0].left, y - sum[0].top) / 32;
                out[3 * index(x, y) + c] = std::clamp(v, 0.0, 255.0);
            }
        }
    }
    return out;
}

}  // namespace broadloom::test
