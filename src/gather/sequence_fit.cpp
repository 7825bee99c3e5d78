#include "gather/sequence_fit.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

namespace broadloom {
namespace {

// A step back costs less than two frames whose displacements are wrong, a hole more than one: a
// lone frame in the wrong place is a wrong match, and a head that counts leaves no holes.
constexpr double kSpread = 0.2;     // of aim errors and backlash, in steps
constexpr double kMisplaced = 8;    // a wrong match
constexpr double kBack = 5;         // stepping back
constexpr double kBackEach = 0.03;  // and each frame of it
constexpr double kHole = 12;        // cells without a frame
constexpr double kHoleEach = 1;     // and each of them
constexpr double kPause = 1.5;      // how far a pause makes a step back likelier
constexpr double kNever = std::numeric_limits<double>::infinity();

double cost_in_cell(const SequenceFitInput& input, int64_t i, int64_t k) {
    const SequenceFrame& f = input.frames[static_cast<size_t>(i)];
    if (f.component < 0) return 0;
    const auto& origin = input.origins[static_cast<size_t>(f.component)];
    if (!origin) return 0;
    const GridPoint& c = input.cells[static_cast<size_t>(k)];
    double dx = f.at.x + origin->x - c.x;
    if (input.period_x > 0) dx = std::remainder(dx, input.period_x);
    if (!input.scale_x.empty()) dx *= input.scale_x[static_cast<size_t>(k)];
    return misplacement_cost(dx, f.at.y + origin->y - c.y);
}

}  // namespace

std::vector<bool> misplaced_frames(const SequenceFitInput& input, const SequenceFit& fit) {
    std::vector<bool> misplaced;
    for (size_t i = 0; i < fit.cell.size(); ++i) {
        misplaced.push_back(cost_in_cell(input, static_cast<int64_t>(i), fit.cell[i]) >=
                            kMisplaced);
    }
    return misplaced;
}

double aim_cost(const SequenceFitInput& input, const SequenceFit& fit) {
    double sum = 0;
    for (size_t i = 0; i < fit.cell.size(); ++i) {
        const double cost = cost_in_cell(input, static_cast<int64_t>(i), fit.cell[i]);
        if (cost < kMisplaced) sum += cost;
    }
    return sum;
}

double misplacement_cost(double dx, double dy) {
    return std::min(kMisplaced, (dx * dx + dy * dy) / (2 * kSpread * kSpread));
}

SequenceFit fit_sequence(const SequenceFitInput& input) {
    const auto n = static_cast<int64_t>(input.frames.size());
    const auto cells = static_cast<int64_t>(input.cells.size());
    SequenceFit fit;
    if (n == 0 || cells == 0) {
        fit.cost = kNever;
        return fit;
    }
    // Large sets: repeats and holes are few, so the walk stays near the diagonal.
    const int64_t slack = n <= 800 ? std::max(n, cells) : 200 + n / 8;
    const int64_t width = std::min(cells, 2 * slack + 1);
    const auto low_of = [&](int64_t i) { return std::clamp(i - slack, int64_t{0}, cells - width); };
    const auto emission = [&](int64_t i, int64_t k) { return cost_in_cell(input, i, k); };
    const auto w = static_cast<size_t>(width);
    std::vector<int32_t> from(static_cast<size_t>(n) * w);
    std::vector<double> before(w);
    std::vector<double> now(w);
    for (int64_t k = 0; k < width; ++k) {
        before[static_cast<size_t>(k)] =
            emission(0, k) + (k == 0 ? 0 : kHole + kHoleEach * static_cast<double>(k));
    }
    std::vector<double> back(w);
    std::vector<int32_t> back_from(w);
    for (int64_t i = 1; i < n; ++i) {
        const int64_t was_low = low_of(i - 1);
        const int64_t low = low_of(i);
        // back[k]: the best way to come to k from k or any later cell.
        double best = kNever;
        int32_t best_from = -1;
        for (int64_t k = width - 1; k >= 0; --k) {
            best += kBackEach;
            if (before[static_cast<size_t>(k)] < best) {
                best = before[static_cast<size_t>(k)];
                best_from = static_cast<int32_t>(k + was_low);
            }
            back[static_cast<size_t>(k)] = best;
            back_from[static_cast<size_t>(k)] = best_from;
        }
        const double back_cost =
            kBack - kPause * input.frames[static_cast<size_t>(i)].likely_retake;
        double skip = kNever;  // the best way to come to the present cell over a hole
        int32_t skip_from = -1;
        int64_t taken = was_low;  // cells below this are in `skip`
        for (int64_t k = low; k < low + width; ++k) {
            skip += kHoleEach;
            for (; taken < k - 1 && taken < was_low + width; ++taken) {
                const double c = before[static_cast<size_t>(taken - was_low)] + kHole +
                                 kHoleEach * static_cast<double>(k - 1 - taken);
                if (c < skip) {
                    skip = c;
                    skip_from = static_cast<int32_t>(taken);
                }
            }
            double cost = skip;
            int32_t source = skip_from;
            const int64_t next = k - 1 - was_low;
            if (next >= 0 && next < width && before[static_cast<size_t>(next)] <= cost) {
                cost = before[static_cast<size_t>(next)];
                source = static_cast<int32_t>(k - 1);
            }
            const int64_t same = k - was_low;
            if (same >= 0 && same < width && back[static_cast<size_t>(same)] + back_cost < cost) {
                cost = back[static_cast<size_t>(same)] + back_cost;
                source = back_from[static_cast<size_t>(same)];
            }
            now[static_cast<size_t>(k - low)] = cost + emission(i, k);
            from[static_cast<size_t>(i) * w + static_cast<size_t>(k - low)] = source;
        }
        std::swap(before, now);
    }
    fit.cost = kNever;
    int64_t at = 0;
    // A walk that ends with a repeat of an earlier cell counts the cells after it as open, although
    // they may have been reached: the programme does not remember how far it came.
    for (int64_t k = low_of(n - 1); k < low_of(n - 1) + width; ++k) {
        const int64_t end = input.all_cells ? cells : (k / input.line + 1) * input.line;
        const auto open = static_cast<double>(end - 1 - k);
        const double cost = before[static_cast<size_t>(k - low_of(n - 1))] +
                            (open > 0 ? kHole + kHoleEach * open : 0);
        if (cost < fit.cost) {
            fit.cost = cost;
            at = k;
            fit.end = end;
        }
    }
    fit.cell.assign(static_cast<size_t>(n), 0);
    for (int64_t i = n - 1; i >= 0; --i) {
        fit.cell[static_cast<size_t>(i)] = at;
        if (i > 0) at = from[static_cast<size_t>(i) * w + static_cast<size_t>(at - low_of(i))];
    }
    const int64_t furthest = *std::max_element(fit.cell.begin(), fit.cell.end());
    if (!input.all_cells) fit.end = (furthest / input.line + 1) * input.line;
    return fit;
}

}  // namespace broadloom
