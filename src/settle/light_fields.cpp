#include "settle/light_fields.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <limits>
#include <optional>

#include "base/median.hpp"
#include "base/parallel.hpp"
#include "broadloom/photometry.hpp"
#include "image/kernels.hpp"
#include "settle/spline_solve.hpp"

namespace broadloom {

namespace {

/// Splines: spans along a frame's longer and shorter side.
constexpr int kLongSpans = 5;
constexpr int kShortSpans = 3;
/// Light is compared over blocks of this many coarse pixels, of which so many must be usable; bins
/// of 4 x 4 blocks are what the solve sees. Both are fixed to the canvas.
constexpr int64_t kBlock = 8;
constexpr int kLeastPixels = 24;
constexpr int64_t kBin = 32;
/// Linear light below this is too near the noise.
constexpr double kDark = 0.004;
/// A block whose logarithms differ by more shows different things.
constexpr double kDifferent = 0.7;
/// What the mean of a block and of a bin err by at least, logarithms.
constexpr double kBlockError = 0.006;
constexpr double kBinError = 0.004;
/// Pixels of a block that err independently: so many fewer.
constexpr double kKinship = 8;
/// Residual at which a bin counts a quarter.
constexpr double kOutlier = 0.03;
constexpr double kLeastBelief = 0.25;
/// Usual size of a frame's error, and of what varies inside it; of second differences.
constexpr double kUsualLevel = 0.2;
constexpr double kUsualVariation = 0.03;
constexpr double kUsualBend = 0.01;
/// Changes below this, everywhere, are not seen: a quarter of an 8-bit level at white is 0.0024.
constexpr double kInvisible = 0.002;
/// Steps of the solution that end it.
constexpr double kNegligible = 5e-6;

/// Working values to linear light and its logarithm.
struct Curves {
    std::vector<float> linear, logarithm;  ///< NaN where it is too dark

    Curves() : linear(kWorkLimit + 1), logarithm(kWorkLimit + 1) {
        for (size_t i = 0; i < linear.size(); ++i) {
            const double v = srgb_decode(static_cast<double>(i) / (255 << kWorkShift));
            linear[i] = static_cast<float>(v);
            logarithm[i] = v >= kDark ? static_cast<float>(std::log(v))
                                      : std::numeric_limits<float>::quiet_NaN();
        }
    }
    static size_t index(int16_t working) {
        return static_cast<size_t>(std::clamp<int>(working, 0, kWorkLimit));
    }
};

/// What two frames' light differs by around a place of the coarse canvas.
struct Comparison {
    double x = 0, y = 0;                ///< canvas coordinates
    std::array<double, 3> log_ratio{};  ///< first over second
    double weight = 0;                  ///< 1 / variance
};

struct PairComparisons {
    size_t first = 0, second = 0;
    std::vector<Comparison> places;
};

struct Block {
    double x = 0, y = 0, weight = 0, level = 0;
    std::array<double, 3> mean{};
};

/// One block; `turn` is added to x for the second frame.
std::optional<Block> compare_block(const CoarseFrame& a, const CoarseFrame& b, int64_t turn,
                                   const Rect& block, const Curves& curves) {
    std::array<double, 3> sum{};
    double squares = 0;
    int count = 0;
    for (int64_t y = block.y0; y < block.y1; ++y) {
        for (int64_t x = block.x0; x < block.x1; ++x) {
            const size_t i = a.index(x, y);
            const size_t j = b.index(x + turn, y);
            constexpr uint8_t kLook = kCovered | kClipped;
            if ((a.flags[i] & kLook) != kCovered || (b.flags[j] & kLook) != kCovered) continue;
            std::array<double, 3> d{};
            for (size_t c = 0; c < 3; ++c) {
                d[c] = static_cast<double>(curves.logarithm[Curves::index(a.value[c][i])] -
                                           curves.logarithm[Curves::index(b.value[c][j])]);
            }
            const double all = d[0] + d[1] + d[2];
            if (std::isnan(all)) continue;
            for (size_t c = 0; c < 3; ++c) sum[c] += d[c];
            squares += all * all / 9;
            ++count;
        }
    }
    if (count < kLeastPixels) return std::nullopt;
    Block result;
    for (size_t c = 0; c < 3; ++c) {
        result.mean[c] = sum[c] / count;
        if (std::abs(result.mean[c]) > kDifferent) return std::nullopt;
    }
    result.level = (result.mean[0] + result.mean[1] + result.mean[2]) / 3;
    const double variance = std::max(0.0, squares / count - result.level * result.level);
    result.weight = 1 / (kBlockError * kBlockError + variance * kKinship / count);
    result.x = static_cast<double>(block.x0 + block.x1) / 2;
    result.y = static_cast<double>(block.y0 + block.y1) / 2;
    return result;
}

/// A bin's blocks without those that differ from most.
std::optional<Comparison> combine(const std::vector<Block>& blocks) {
    if (blocks.empty()) return std::nullopt;
    std::vector<double> levels;
    levels.reserve(blocks.size());
    for (const Block& b : blocks) levels.push_back(b.level);
    const double middle = upper_median(levels);
    for (double& l : levels) l = std::abs(l - middle);
    // 1.4826 times the median deviation estimates the standard one.
    const double reach = 0.01 + 2.5 * 1.4826 * upper_median(levels);
    Comparison out;
    for (const Block& b : blocks) {
        if (std::abs(b.level - middle) > reach) continue;
        out.weight += b.weight;
        out.x += b.weight * b.x;
        out.y += b.weight * b.y;
        for (size_t c = 0; c < 3; ++c) out.log_ratio[c] += b.weight * b.mean[c];
    }
    out.x /= out.weight;
    out.y /= out.weight;
    for (double& l : out.log_ratio) l /= out.weight;
    out.weight = 1 / (kBinError * kBinError + 1 / out.weight);
    return out;
}

void compare(const CoarseFrame& a, const CoarseFrame& b, int64_t turn, const Curves& curves,
             std::vector<Comparison>& out) {
    const Rect other{b.rect.x0 - turn, b.rect.y0, b.rect.x1 - turn, b.rect.y1};
    const Rect shared = intersect(a.rect, other);
    if (shared.empty()) return;
    const Rect bins = aligned_outwards(shared, kBin);
    std::vector<Block> blocks;
    for (int64_t y = bins.y0; y < bins.y1; y += kBin) {
        for (int64_t x = bins.x0; x < bins.x1; x += kBin) {
            blocks.clear();
            for (int64_t by = y; by < y + kBin; by += kBlock) {
                for (int64_t bx = x; bx < x + kBin; bx += kBlock) {
                    const Rect block = intersect(shared, {bx, by, bx + kBlock, by + kBlock});
                    if (block.empty()) continue;
                    if (const auto found = compare_block(a, b, turn, block, curves)) {
                        blocks.push_back(*found);
                    }
                }
            }
            if (const auto all = combine(blocks)) out.push_back(*all);
        }
    }
}

/// What is added to x to get from the first's coordinates to the second's, wherever they overlap.
std::vector<int64_t> turns(const Canvas& canvas, const Rect& a, const Rect& b) {
    std::vector<int64_t> found;
    for (const int64_t k : {int64_t{-1}, int64_t{0}, int64_t{1}}) {
        if (k != 0 && !canvas.wraps) continue;
        const int64_t turn = k * canvas.width;
        if (!intersect(a, {b.x0 - turn, b.y0, b.x1 - turn, b.y1}).empty()) found.push_back(turn);
    }
    return found;
}

std::vector<PairComparisons> compare_all(const CoarseCanvas& coarse, const CoarseFrames& frames,
                                         const Curves& curves, int threads) {
    std::vector<PairComparisons> pairs;
    std::vector<Rect> rects;
    for (size_t f = 0; f < frames.count(); ++f) rects.push_back(frames.rect(f));
    for (size_t i = 0; i < rects.size(); ++i) {
        for (size_t j = i + 1; j < rects.size(); ++j) {
            if (!turns(coarse.canvas, rects[i], rects[j]).empty()) pairs.push_back({i, j, {}});
        }
    }
    for_each_index(pairs.size(), threads, [&](size_t p, int) {
        PairComparisons& pair = pairs[p];
        const auto a = frames.get(pair.first);
        const auto b = frames.get(pair.second);
        for (const int64_t turn : turns(coarse.canvas, a->rect, b->rect)) {
            compare(*a, *b, turn, curves, pair.places);
        }
    });
    return pairs;
}

SplineGrid grid_for(const FrameGeometry& g) {
    return g.upright_width() >= g.upright_height() ? SplineGrid{kLongSpans + 3, kShortSpans + 3}
                                                   : SplineGrid{kShortSpans + 3, kLongSpans + 3};
}

SplineTap tap_at(size_t frame, const FrameGeometry& g, const SplineGrid& grid, const Vec2& at,
                 double sign) {
    const SplineBasis basis = spline_basis(grid, at.x, at.y, g.upright_width(), g.upright_height());
    SplineTap tap;
    tap.frame = static_cast<uint32_t>(frame);
    tap.column = basis.column;
    tap.row = basis.row;
    tap.x = basis.x;
    tap.y = basis.y;
    tap.factor[0] = {sign, 0};
    return tap;
}

/// Corrected, both frames' light agrees: log a + first = log b + second. The channels' problems
/// differ by their targets alone.
struct LightProblem {
    SplineProblem shared;
    std::array<std::vector<double>, 3> target;  ///< of each measurement

    void choose_channel(size_t c) {
        for (size_t m = 0; m < target[c].size(); ++m) {
            shared.measurements[m].target[0] = target[c][m];
        }
    }
};

LightProblem light_problem(const CoarseCanvas& coarse, const std::vector<FrameGeometry>& geometry,
                           const std::vector<PairComparisons>& pairs) {
    LightProblem problem;
    SplineProblem& shared = problem.shared;
    shared.components = 1;
    for (const FrameGeometry& g : geometry) shared.grids.push_back(grid_for(g));
    const double coefficients = (kLongSpans + 3) * (kShortSpans + 3);
    shared.level_pull = 1 / (kUsualLevel * kUsualLevel * coefficients);
    shared.pull = 1 / (kUsualVariation * kUsualVariation);
    shared.smooth = 1 / (kUsualBend * kUsualBend);
    shared.outlier = kOutlier;
    shared.negligible = kNegligible;
    shared.hold_unreached = false;
    for (const PairComparisons& pair : pairs) {
        for (const Comparison& place : pair.places) {
            const Vec3 d = coarse.canvas.direction(place.x, place.y);
            const auto first = geometry[pair.first].upright(d);
            const auto second = geometry[pair.second].upright(d);
            if (!first || !second) continue;
            SplineMeasurement m;
            m.tap[0] =
                tap_at(pair.first, geometry[pair.first], shared.grids[pair.first], *first, 1);
            m.tap[1] =
                tap_at(pair.second, geometry[pair.second], shared.grids[pair.second], *second, -1);
            m.weight[0] = place.weight;
            shared.measurements.push_back(m);
            for (size_t c = 0; c < 3; ++c) problem.target[c].push_back(-place.log_ratio[c]);
        }
    }
    return problem;
}

/// A frame's cells that the picture takes from it: their light, and the field there.
struct OwnedCells {
    struct Cell {
        std::array<double, 3> light{}, log_gain{};
        double pixels = 0;
    };
    std::vector<Cell> cells;
};

OwnedCells owned_cells(const CoarseCanvas& coarse, const std::vector<FrameGeometry>& geometry,
                       const CoarseFrames& frames, size_t f, const FrameFields& fields,
                       const Curves& curves) {
    OwnedCells owned;
    const auto frame = frames.get(f);
    const FrameGeometry& mine = geometry[f];
    std::vector<size_t> rivals;
    for (size_t k = 0; k < frames.count(); ++k) {
        if (k != f && !turns(coarse.canvas, frame->rect, frames.rect(k)).empty()) {
            rivals.push_back(k);
        }
    }
    const Rect& rect = frame->rect;
    for (int64_t y = rect.y0; y < rect.y1; y += kCell) {
        for (int64_t x = rect.x0; x < rect.x1; x += kCell) {
            const Vec3 d = coarse.canvas.direction(static_cast<double>(x) + kCell / 2.0,
                                                   static_cast<double>(y) + kCell / 2.0);
            const double inverse_norm = 1 / norm(d);
            const FramePoint p = mine.at(d, inverse_norm);
            if (!p.valid || !mine.covers(p.x, p.y)) continue;
            const bool nearest = std::none_of(rivals.begin(), rivals.end(), [&](size_t k) {
                const FramePoint q = geometry[k].at(d, inverse_norm);
                return q.valid && geometry[k].covers(q.x, q.y) &&
                       (q.score > p.score || (q.score == p.score && k < f));
            });
            if (!nearest) continue;
            OwnedCells::Cell cell;
            for (int64_t j = y; j < std::min(y + kCell, rect.y1); ++j) {
                for (int64_t i = x; i < std::min(x + kCell, rect.x1); ++i) {
                    const size_t at = frame->index(i, j);
                    if ((frame->flags[at] & kCovered) == 0) continue;
                    for (size_t c = 0; c < 3; ++c) {
                        cell.light[c] += std::min(
                            1.0,
                            static_cast<double>(curves.linear[Curves::index(frame->value[c][at])]));
                    }
                    cell.pixels += 1;
                }
            }
            if (cell.pixels == 0) continue;
            const auto upright = mine.upright(d);
            cell.log_gain = fields.log_gains(upright->x, upright->y, mine.upright_width(),
                                             mine.upright_height());
            owned.cells.push_back(cell);
        }
    }
    return owned;
}

/// Adds what keeps the picture's average to all fields, within the limit.
void keep_average(const CoarseCanvas& coarse, const std::vector<FrameGeometry>& geometry,
                  const CoarseFrames& frames, const Curves& curves, int threads,
                  std::vector<FrameFields>& fields, std::array<double, 3>& average) {
    std::vector<OwnedCells> owned(frames.count());
    for_each_index(frames.count(), threads, [&](size_t f, int) {
        owned[f] = owned_cells(coarse, geometry, frames, f, fields[f], curves);
    });
    std::array<double, 3> common{};
    constexpr int kRounds = 4;
    for (int round = 0; round <= kRounds; ++round) {
        for (size_t c = 0; c < 3; ++c) {
            double before = 0;
            double after = 0;
            for (size_t f = 0; f < owned.size(); ++f) {
                for (const auto& cell : owned[f].cells) {
                    before += cell.light[c];
                    const double log_gain =
                        fields[f].lights()
                            ? std::clamp(cell.log_gain[c] + common[c], -kMostLogGain, kMostLogGain)
                            : 0;
                    after += std::min(cell.pixels, cell.light[c] * std::exp(log_gain));
                }
            }
            if (!(before > 0 && after > 0)) continue;
            average[c] = after / before;
            if (round < kRounds) common[c] -= std::log(average[c]);
        }
    }
    for (FrameFields& f : fields) {
        for (size_t c = 0; c < 3; ++c) {
            for (float& v : f.log_gain[c]) {
                v = static_cast<float>(
                    std::clamp(static_cast<double>(v) + common[c], -kMostLogGain, kMostLogGain));
            }
        }
    }
}

}  // namespace

std::vector<FrameFields> solve_light(const CoarseCanvas& coarse,
                                     const std::vector<FrameGeometry>& geometry,
                                     const CoarseFrames& frames, int threads, LightReport* report) {
    std::vector<FrameFields> fields(geometry.size());
    if (report != nullptr) *report = {};
    const Curves curves;
    const auto pairs = compare_all(coarse, frames, curves, threads);
    LightProblem problem = light_problem(coarse, geometry, pairs);
    std::vector<SplineMeasurement>& measurements = problem.shared.measurements;
    const size_t count = measurements.size();

    // Doubted in one channel, doubted in all: what moved has a colour of its own.
    std::array<SplineSolution, 3> solution;
    for (size_t c = 0; c < 3; ++c) {
        problem.choose_channel(c);
        solution[c] = solve_splines(problem.shared, threads);
    }
    std::vector<double> belief(count, 1);
    for (size_t m = 0; m < count; ++m) {
        for (const SplineSolution& one : solution) belief[m] = std::min(belief[m], one.belief[m]);
    }
    for (size_t m = 0; m < count; ++m) measurements[m].weight[0] *= belief[m];
    problem.shared.rounds = 1;
    for (size_t c = 0; c < 3; ++c) {
        problem.choose_channel(c);
        solution[c] = solve_splines(problem.shared, threads);
    }
    std::vector<char> met(geometry.size(), 0);
    for (const SplineMeasurement& m : measurements) {
        for (const SplineTap& tap : m.tap) met[tap.frame] = 1;
    }
    double largest = 0;
    double before = 0;
    double after = 0;
    size_t believed = 0;
    for (size_t c = 0; c < 3; ++c) {
        const SplineSolution& last = solution[c];
        problem.choose_channel(c);
        for (size_t f = 0; f < fields.size(); ++f) {
            if (met[f] == 0) continue;
            fields[f].light_grid = problem.shared.grids[f];
            auto& out = fields[f].log_gain[c];
            out.reserve(last.coefficients[f].size());
            for (const double v : last.coefficients[f]) {
                out.push_back(static_cast<float>(std::clamp(v, -kMostLogGain, kMostLogGain)));
                largest = std::max(largest, std::abs(v));
            }
        }
        for (size_t m = 0; m < count; ++m) {
            if (belief[m] < kLeastBelief) continue;
            const double left =
                residuals(measurements[m], problem.shared.grids, last.coefficients)[0];
            before += measurements[m].target[0] * measurements[m].target[0];
            after += left * left;
            if (c == 0) ++believed;
        }
    }
    if (report != nullptr && believed > 0) {
        report->samples = believed;
        report->rms_before = std::sqrt(before / static_cast<double>(3 * believed));
        report->rms_after = std::sqrt(after / static_cast<double>(3 * believed));
        report->pairs = static_cast<size_t>(
            std::count_if(pairs.begin(), pairs.end(),
                          [](const PairComparisons& p) { return !p.places.empty(); }));
    }
    if (largest < kInvisible) {
        if (report != nullptr) report->rms_after = report->rms_before;
        return std::vector<FrameFields>(geometry.size());
    }
    std::array<double, 3> average{1, 1, 1};
    keep_average(coarse, geometry, frames, curves, threads, fields, average);
    if (report != nullptr) report->average = average;
    return fields;
}

void apply_light(CoarseFrame& frame, const CoarseCanvas& coarse, const FrameGeometry& geometry,
                 const FrameFields& fields) {
    if (!fields.lights()) return;
    // As in the picture: corrections stand at the corners of cells and are interpolated between.
    struct Corner {
        bool valid = false;
        std::array<double, 3> h{1, 1, 1}, g{1, 1, 1};
    };
    const auto correction = [&](double x, double y) {
        Corner corner;
        if (const auto p = geometry.upright(coarse.canvas.direction(x, y))) {
            corner.valid = true;
            const auto gains =
                fields.log_gains(p->x, p->y, geometry.upright_width(), geometry.upright_height());
            for (size_t c = 0; c < 3; ++c) {
                corner.g[c] = std::exp(gains[c]);
                corner.h[c] = std::exp(gains[c] / 2.4);
            }
        }
        return corner;
    };
    constexpr float kUnit = 1 << kWorkShift;
    constexpr auto kLimit = static_cast<float>(kWorkLimit);
    const Rect& rect = frame.rect;
    for (int64_t y0 = rect.y0; y0 < rect.y1; y0 += kCell) {
        for (int64_t x0 = rect.x0; x0 < rect.x1; x0 += kCell) {
            std::array<Corner, 4> corner;
            for (size_t k = 0; k < 4; ++k) {
                corner[k] = correction(static_cast<double>(x0 + (k % 2 != 0 ? kCell : 0)),
                                       static_cast<double>(y0 + (k / 2 != 0 ? kCell : 0)));
            }
            const bool smooth =
                std::all_of(corner.begin(), corner.end(), [](const Corner& k) { return k.valid; });
            for (int64_t y = y0; y < std::min(y0 + kCell, rect.y1); ++y) {
                for (int64_t x = x0; x < std::min(x0 + kCell, rect.x1); ++x) {
                    const size_t i = frame.index(x, y);
                    if ((frame.flags[i] & kCovered) == 0) continue;
                    const double u = (static_cast<double>(x - x0) + 0.5) / kCell;
                    const double v = (static_cast<double>(y - y0) + 0.5) / kCell;
                    Corner here;
                    if (smooth) {
                        const std::array<double, 4> weight{(1 - u) * (1 - v), u * (1 - v),
                                                           (1 - u) * v, u * v};
                        here.h = here.g = {};
                        for (size_t k = 0; k < 4; ++k) {
                            for (size_t c = 0; c < 3; ++c) {
                                here.h[c] += weight[k] * corner[k].h[c];
                                here.g[c] += weight[k] * corner[k].g[c];
                            }
                        }
                    } else {
                        here =
                            correction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
                    }
                    for (size_t c = 0; c < 3; ++c) {
                        int16_t& value = frame.value[c][i];
                        const float corrected = corrected_value(static_cast<float>(value) / kUnit,
                                                                static_cast<float>(here.h[c]),
                                                                static_cast<float>(here.g[c]));
                        value = static_cast<int16_t>(
                            std::lrint(std::clamp(corrected * kUnit, -kLimit, kLimit)));
                    }
                }
            }
        }
    }
}

}  // namespace broadloom
