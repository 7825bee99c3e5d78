#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "match/nearest_detail.hpp"

namespace broadloom {

namespace {

constexpr int32_t kFar = std::numeric_limits<int32_t>::max();
/// Descriptors of b that stay in the nearest cache while all of a passes: 16 KiB.
constexpr size_t kBlock = 64;

/// Descriptors widened for the processor's 16-bit multiply and add, with their squared lengths.
struct Widened {
    std::vector<int16_t> values;
    std::vector<int32_t> squares;
    [[nodiscard]] const int16_t* row(size_t i) const {
        return values.data() + i * kDescriptorBytes;
    }
    [[nodiscard]] size_t size() const { return squares.size(); }
};

/// The nearest of the other frame so far.
struct Best {
    int32_t first = kFar, second = kFar;  // squared distances
    size_t index = 0;

    void offer(int32_t distance, size_t i) {
        if (distance < first) {
            second = first;
            first = distance;
            index = i;
        } else if (distance < second) {
            second = distance;
        }
    }
};

/// Dot products of one descriptor with `count` others that lie one behind the other.
[[gnu::always_inline]] inline void dots_of(const int16_t* one, const int16_t* others, size_t count,
                                           int32_t* out) {
    for (size_t j = 0; j < count; ++j) {
        const int16_t* other = others + j * kDescriptorBytes;
        int32_t sum = 0;
        for (size_t k = 0; k < kDescriptorBytes; ++k) sum += int32_t{one[k]} * int32_t{other[k]};
        out[j] = sum;
    }
}

void dots_plain(const int16_t* one, const int16_t* others, size_t count, int32_t* out) {
    dots_of(one, others, count, out);
}

#if defined(__x86_64__)
[[gnu::target("avx2")]] void dots_avx2(const int16_t* one, const int16_t* others, size_t count,
                                       int32_t* out) {
    dots_of(one, others, count, out);
}
#endif

using Dots = void (*)(const int16_t*, const int16_t*, size_t, int32_t*);

/// Whole numbers: each gives the same sums.
Dots dots_for_this_processor() {
#if defined(__x86_64__)
    if (__builtin_cpu_supports("avx2")) return dots_avx2;
#endif
    return dots_plain;
}

Widened widen(const FeatureSet& set) {
    Widened w;
    w.values.assign(set.descriptors.begin(), set.descriptors.end());
    w.squares.resize(set.points.size());
    for (size_t i = 0; i < w.squares.size(); ++i) {
        dots_plain(w.row(i), w.row(i), 1, &w.squares[i]);
    }
    return w;
}

std::vector<std::pair<size_t, size_t>> mutual(const std::vector<Best>& of_a,
                                              const std::vector<Best>& of_b,
                                              const NearestOptions& options) {
    const double ratio_sq = options.ratio * options.ratio;
    const double most_sq = options.most_distance * options.most_distance;
    std::vector<std::pair<size_t, size_t>> pairs;
    for (size_t i = 0; i < of_a.size(); ++i) {
        const Best& best = of_a[i];
        if (best.first == kFar || best.first > most_sq) continue;
        if (best.second != kFar && !(best.first < ratio_sq * best.second)) continue;
        if (of_b[best.index].first == kFar || of_b[best.index].index != i) continue;
        pairs.emplace_back(i, best.index);
    }
    return pairs;
}

/// Points of a frame by the cell of a grid that they lie in.
class PointGrid {
  public:
    PointGrid(const FeatureSet& set, double cell_px)
        : cell_(std::max({cell_px, static_cast<double>(set.width) / 256,
                          static_cast<double>(set.height) / 256, 1.0})),
          columns_(1 + static_cast<size_t>(static_cast<double>(set.width) / cell_)),
          rows_(1 + static_cast<size_t>(static_cast<double>(set.height) / cell_)),
          cells_(columns_ * rows_) {
        for (size_t i = 0; i < set.points.size(); ++i) {
            cells_[index(set.points[i].y, rows_) * columns_ + index(set.points[i].x, columns_)]
                .push_back(i);
        }
    }

    template <typename Visit>
    void near(Vec2 at, double radius, const Visit& visit) const {
        const size_t right = index(at.x + radius, columns_);
        const size_t bottom = index(at.y + radius, rows_);
        for (size_t y = index(at.y - radius, rows_); y <= bottom; ++y) {
            for (size_t x = index(at.x - radius, columns_); x <= right; ++x) {
                for (const size_t i : cells_[y * columns_ + x]) visit(i);
            }
        }
    }

  private:
    [[nodiscard]] size_t index(double at, size_t cells) const {
        return static_cast<size_t>(std::clamp(at / cell_, 0.0, static_cast<double>(cells - 1)));
    }
    double cell_;
    size_t columns_, rows_;
    std::vector<std::vector<size_t>> cells_;
};

}  // namespace

std::vector<std::pair<size_t, size_t>> mutual_nearest(const FeatureSet& a, const FeatureSet& b,
                                                      const NearestOptions& options) {
    const Widened wide_a = widen(a);
    const Widened wide_b = widen(b);
    std::vector<Best> of_a(wide_a.size());
    std::vector<Best> of_b(wide_b.size());
    const Dots dots = dots_for_this_processor();
    std::array<int32_t, kBlock> dot{};
    for (size_t from = 0; from < wide_b.size(); from += kBlock) {
        const size_t count = std::min(kBlock, wide_b.size() - from);
        for (size_t i = 0; i < wide_a.size(); ++i) {
            dots(wide_a.row(i), wide_b.row(from), count, dot.data());
            for (size_t j = 0; j < count; ++j) {
                const int32_t d = wide_a.squares[i] + wide_b.squares[from + j] - 2 * dot[j];
                of_a[i].offer(d, from + j);
                of_b[from + j].offer(d, i);
            }
        }
    }
    return mutual(of_a, of_b, options);
}

std::vector<std::pair<size_t, size_t>> mutual_nearest(const FeatureSet& a, const FeatureSet& b,
                                                      const NearestOptions& options,
                                                      const std::vector<Expected>& expected,
                                                      double radius_px) {
    const Widened wide_a = widen(a);
    const Widened wide_b = widen(b);
    std::vector<Best> of_a(wide_a.size());
    std::vector<Best> of_b(wide_b.size());
    const Dots dots = dots_for_this_processor();
    const PointGrid grid(b, radius_px);
    const double radius_sq = radius_px * radius_px;
    for (size_t i = 0; i < wide_a.size(); ++i) {
        if (!expected[i].inside) continue;
        const Vec2 at = expected[i].at;
        grid.near(at, radius_px, [&](size_t j) {
            const double dx = b.points[j].x - at.x;
            const double dy = b.points[j].y - at.y;
            if (dx * dx + dy * dy > radius_sq) return;
            int32_t dot = 0;
            dots(wide_a.row(i), wide_b.row(j), 1, &dot);
            const int32_t d = wide_a.squares[i] + wide_b.squares[j] - 2 * dot;
            of_a[i].offer(d, j);
            of_b[j].offer(d, i);
        });
    }
    return mutual(of_a, of_b, options);
}

}  // namespace broadloom
