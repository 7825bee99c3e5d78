/// How vector code samples the 8-bit planes of a frame over a cell, in whole numbers: six taps, or
/// bilinearly. Part of kernels_simd.cpp, compiled once for each instruction set; the plain twin is
/// sample_bytes() in kernels_plain.cpp.

// Included again for every target: the usual guard, turned round with libhwy's toggle.
#if defined(BROADLOOM_SAMPLE_BYTES_SIMD) == defined(HWY_TARGET_TOGGLE)
#ifdef BROADLOOM_SAMPLE_BYTES_SIMD
#undef BROADLOOM_SAMPLE_BYTES_SIMD
#else
#define BROADLOOM_SAMPLE_BYTES_SIMD
#endif

#include <hwy/highway.h>

#include <algorithm>

#include "image/kernels.hpp"

#if HWY_TARGET != HWY_SCALAR
HWY_BEFORE_NAMESPACE();
namespace broadloom {
namespace HWY_NAMESPACE {
namespace {

namespace hn = hwy::HWY_NAMESPACE;

// Lanes of one row of a cell: at most 16, a divisor of 16.
using DF = hn::CappedTag<float, kCell>;
using DI = hn::RebindToSigned<DF>;
using DU = hn::RebindToUnsigned<DF>;
using VF = hn::Vec<DF>;
using VI = hn::Vec<DI>;
using VU = hn::Vec<DU>;
// Two numbers of 16 bits in each lane, the even one in the lower half.
using DW = hn::Repartition<int16_t, DI>;
using VW = hn::Vec<DW>;
using DB = hn::Repartition<uint8_t, DI>;

// Rounded to nearest, of numbers that fit: libhwy's own also takes care of others.
HWY_INLINE VI to_nearest(VF v) {
#if HWY_TARGET == HWY_AVX3
    return VI{_mm512_cvtps_epi32(v.raw)};
#elif HWY_TARGET == HWY_AVX2
    return VI{_mm256_cvtps_epi32(v.raw)};
#elif HWY_TARGET == HWY_SSE4
    return VI{_mm_cvtps_epi32(v.raw)};
#else
    return hn::NearestInt(v);
#endif
}

// In each lane the sum of the products of its two pairs.
HWY_INLINE VI pair_products(VW a, VW b) {
#if HWY_TARGET == HWY_AVX3
    return VI{_mm512_madd_epi16(a.raw, b.raw)};
#elif HWY_TARGET == HWY_AVX2
    return VI{_mm256_madd_epi16(a.raw, b.raw)};
#elif HWY_TARGET == HWY_SSE4
    return VI{_mm_madd_epi16(a.raw, b.raw)};
#elif HWY_TARGET == HWY_NEON && HWY_ARCH_ARM_A64
    return VI{vpaddq_s32(vmull_s16(vget_low_s16(a.raw), vget_low_s16(b.raw)),
                         vmull_high_s16(a.raw, b.raw))};
#else
    const DI di;
    const auto even = [&](VW v) HWY_ATTR {
        return hn::ShiftRight<16>(hn::ShiftLeft<16>(hn::BitCast(di, v)));
    };
    const auto odd = [&](VW v) HWY_ATTR { return hn::ShiftRight<16>(hn::BitCast(di, v)); };
    return hn::Add(hn::Mul(even(a), even(b)), hn::Mul(odd(a), odd(b)));
#endif
}

// The numbers of two vectors, which fit into 16 bits, in the order in which interleaving a vector's
// lower and upper halves gives pairs in the lanes of the first and of the second.
HWY_INLINE VW packed(VI a, VI b) { return hn::ReorderDemote2To(DW(), a, b); }

// Sums along two rows to the pairs that are summed over the rows.
template <int kShift>
HWY_INLINE VW cut_lines(VI even, VI odd) {
    const DW dw;
    return hn::OddEven(hn::BitCast(dw, hn::ShiftLeft<16 - kShift>(odd)),
                       hn::BitCast(dw, hn::ShiftRight<kShift>(even)));
}

// Where the cell's pixels lie in a plane, multiples of 1 / kPhases samples.
struct BytePositions {
    HWY_ALIGN int32_t x[kCellArea];
    HWY_ALIGN int32_t y[kCellArea];
    bool monotone;

    HWY_INLINE BytePositions(const CellSampler& s, const CellPlane& p, const CellCoords& coords)
        : monotone(coords.monotone) {
        const DF d;
        const DI di;
        const auto n = static_cast<int>(hn::Lanes(d));
        const auto unit = hn::Set(d, static_cast<float>(kPhases));
        const auto line = [&](const float* from, float low, float high, float scale, float offset,
                              int32_t* HWY_RESTRICT to) HWY_ATTR {
            for (int i = 0; i < kCellArea; i += n) {
                const auto c =
                    hn::Min(hn::Max(hn::Load(d, from + i), hn::Set(d, low)), hn::Set(d, high));
                const auto at = hn::Add(hn::Mul(c, hn::Set(d, scale)), hn::Set(d, offset));
                hn::Store(to_nearest(hn::Mul(at, unit)), di, to + i);
            }
        };
        line(coords.u, s.u_low, s.u_high, p.scale_x, p.offset_x, x);
        line(coords.v, s.v_low, s.v_high, p.scale_y, p.offset_y, y);
    }
};

// A run of up to 32 samples of a row, from which every lane takes pairs of its own.
#if HWY_TARGET == HWY_AVX3
// As numbers of 16 bits in one register, which one instruction looks up.
struct ByteRun {
    VW samples;
    HWY_INLINE ByteRun(const uint8_t* at, bool /*wide*/)
        : samples(hn::PromoteTo(DW(), hn::LoadU(hn::Rebind<uint8_t, DW>(), at))) {}
};

struct PairIndex {
    VW at;
    bool wide;
    HWY_INLINE PairIndex(VI dx, int tap, bool is_wide) : wide(is_wide) {
        const DI di;
        const auto twice = hn::Or(dx, hn::ShiftLeft<16>(dx));
        at = hn::BitCast(DW(), hn::Add(twice, hn::Set(di, tap | (tap + 1) << 16)));
    }
    [[nodiscard]] HWY_INLINE VW of(const ByteRun& run) const {
        return VW{_mm512_permutexvar_epi16(at.raw, run.samples.raw)};
    }
};
#else
// As bytes in two registers, each looked up by itself.
struct ByteRun {
    hn::Vec<DB> first, second;
    HWY_INLINE ByteRun(const uint8_t* at, bool wide)
        : first(hn::LoadDup128(DB(), at)), second(first) {
        if (wide) second = hn::LoadDup128(DB(), at + 16);
    }
};

struct PairIndex {
    hn::Vec<DB> low, high;
    bool wide;
    HWY_INLINE PairIndex(VI dx, int tap, bool is_wide) : wide(is_wide) {
        const DI di;
        const DB db;
        // Bytes tap and tap + 1, each with one that is zero above it.
        const auto twice = hn::Or(dx, hn::ShiftLeft<16>(dx));
        const auto index = hn::BitCast(
            db,
            hn::Add(twice, hn::Set(di, static_cast<int32_t>(0xF000F000U) | tap | (tap + 1) << 16)));
        low = high = index;
        if (wide) {
            // From 16 on the first table gives zero, below 16 the second. x86 looks at the highest
            // and the lowest four bits of an index, others at all.
            low = HWY_ARCH_X86 ? hn::SaturatedAdd(index, hn::Set(db, 112)) : index;
            high = hn::Sub(index, hn::Set(db, 16));
        }
    }
    [[nodiscard]] HWY_INLINE VW of(const ByteRun& run) const {
        auto bytes = hn::TableLookupBytesOr0(run.first, low);
        if (wide) bytes = hn::Or(bytes, hn::TableLookupBytesOr0(run.second, high));
        return hn::BitCast(DW(), bytes);
    }
};
#endif

// Where the samples of one row of pixels lie. Usually a frame is hardly turned or scaled against
// the canvas: then the samples of all lanes lie in a few short runs of source rows, which are
// loaded once and shuffled; otherwise they are gathered.
template <int kTaps>
struct ByteSpot {
    static constexpr int kFirst = 1 - kTaps / 2;
    static constexpr int kMostSteps = 3;

    VI x, y;
    VI dx, dy;  // from the base
    int32_t base_x = 0, base_y = 0;
    bool near = false;  // shuffled, not gathered
    bool wide = false;  // the runs are longer than 16 samples
    int steps = 0;      // rows below the base's that some lanes start from, at most

    HWY_INLINE ByteSpot(const int32_t* xs, const int32_t* ys, bool monotone) {
        const DI di;
        const DU du;
        const auto n = static_cast<int>(hn::Lanes(di));
        x = hn::ShiftRight<kPhaseBits>(hn::Load(di, xs));
        y = hn::ShiftRight<kPhaseBits>(hn::Load(di, ys));
        base_x = std::min(xs[0], xs[n - 1]) >> kPhaseBits;
        base_y = std::min(ys[0], ys[n - 1]) >> kPhaseBits;
        steps = (std::max(ys[0], ys[n - 1]) >> kPhaseBits) - base_y;
        const int length = (std::max(xs[0], xs[n - 1]) >> kPhaseBits) - base_x + kTaps;
        dx = hn::Sub(x, hn::Set(di, base_x));
        dy = hn::Sub(y, hn::Set(di, base_y));
        near = steps <= kMostSteps && length <= 32;
        wide = length > 16;
        if (HWY_UNLIKELY(!monotone)) {
            const auto beyond = [&](VI v, int limit) HWY_ATTR {
                return hn::Gt(hn::BitCast(du, v), hn::Set(du, static_cast<uint32_t>(limit)));
            };
            near = near && hn::AllFalse(du, hn::Or(beyond(dx, length - kTaps), beyond(dy, steps)));
        }
    }

    [[nodiscard]] HWY_INLINE const uint8_t* base(const CellPlane& p) const {
        return p.origin + (base_y + kFirst) * p.stride + (base_x + kFirst);
    }
    // Byte offset of each lane's first sample from the plane's origin.
    [[nodiscard]] HWY_INLINE VI offset(const CellPlane& p) const {
        const DI di;
        const auto first = static_cast<int32_t>(kFirst * p.stride + kFirst);
        return hn::Add(hn::Add(hn::Mul(y, hn::Set(di, static_cast<int32_t>(p.stride))), x),
                       hn::Set(di, first));
    }
};

// Sums along kTaps rows in each lane, rounded up by half of what is cut.
template <int kTaps, int kSteps, bool kWide>
HWY_INLINE void lines_of_runs(const CellPlane& p, const ByteSpot<kTaps>& at, const VW* wx, VI half,
                              VI* HWY_RESTRICT lines) {
    VI all[kTaps + kSteps];
    const uint8_t* row = at.base(p);
    const PairIndex first(at.dx, 0, kWide);
    const PairIndex second(at.dx, kTaps > 2 ? 2 : 0, kWide);
    const PairIndex third(at.dx, kTaps > 2 ? 4 : 0, kWide);
    for (int r = 0; r < kTaps + kSteps; ++r, row += p.stride) {
        const ByteRun run(row, kWide);
        auto sum = hn::Add(half, pair_products(first.of(run), wx[0]));
        if constexpr (kTaps > 2) {
            sum = hn::Add(sum, hn::Add(pair_products(second.of(run), wx[1]),
                                       pair_products(third.of(run), wx[2])));
        }
        all[r] = sum;
    }
    const DI di;
    for (int step = 1; step <= kSteps; ++step) {
        const auto lower = hn::Gt(at.dy, hn::Set(di, step - 1));
        for (int r = 0; r < kTaps + kSteps - step; ++r) {
            all[r] = hn::IfThenElse(lower, all[r + 1], all[r]);
        }
    }
    for (int r = 0; r < kTaps; ++r) lines[r] = all[r];
}

template <int kTaps, bool kWide>
HWY_INLINE void lines_of_runs(const CellPlane& p, const ByteSpot<kTaps>& at, const VW* wx, VI half,
                              VI* HWY_RESTRICT lines) {
    // One step costs less than guessing whether there is one.
    if (HWY_LIKELY(at.steps <= 1)) {
        lines_of_runs<kTaps, 1, kWide>(p, at, wx, half, lines);
    } else {
        lines_of_runs<kTaps, ByteSpot<kTaps>::kMostSteps, kWide>(p, at, wx, half, lines);
    }
}

template <int kTaps>
HWY_NOINLINE void lines_gathered(const CellPlane& p, const ByteSpot<kTaps>& at, const VW* wx,
                                 VI half, VI* HWY_RESTRICT lines) {
    const DU du;
    const VI offset = at.offset(p);
    const auto pair = [&](VU four) HWY_ATTR {
        return hn::BitCast(DW(), hn::Or(hn::And(four, hn::Set(du, 0xFFU)),
                                        hn::And(hn::ShiftLeft<8>(four), hn::Set(du, 0xFF0000U))));
    };
    for (int r = 0; r < kTaps; ++r) {
        const uint8_t* row = p.origin + r * p.stride;
        const auto four = hn::GatherOffset(du, reinterpret_cast<const uint32_t*>(row), offset);
        auto sum = hn::Add(half, pair_products(pair(four), wx[0]));
        if constexpr (kTaps > 2) {
            const auto more =
                hn::GatherOffset(du, reinterpret_cast<const uint32_t*>(row + 4), offset);
            sum = hn::Add(sum, hn::Add(pair_products(pair(hn::ShiftRight<16>(four)), wx[1]),
                                       pair_products(pair(more), wx[2])));
        }
        lines[r] = sum;
    }
}

template <int kTaps, int kShift>
HWY_INLINE VF sample_row(const CellPlane& p, const ByteSpot<kTaps>& at, const VW* wx, const VW* wy,
                         float scale) {
    const DF d;
    const DI di;
    const auto half = hn::Set(di, 1 << (kShift - 1));
    VI lines[kTaps];
    if (HWY_LIKELY(at.near)) {
        if (at.wide) {
            lines_of_runs<kTaps, true>(p, at, wx, half, lines);
        } else {
            lines_of_runs<kTaps, false>(p, at, wx, half, lines);
        }
    } else {
        lines_gathered<kTaps>(p, at, wx, half, lines);
    }
    auto sum = pair_products(cut_lines<kShift>(lines[0], lines[1]), wy[0]);
    for (int r = 2; r < kTaps; r += 2) {
        sum = hn::Add(sum, pair_products(cut_lines<kShift>(lines[r], lines[r + 1]), wy[r / 2]));
    }
    return hn::Mul(hn::ConvertTo(d, sum), hn::Set(d, scale));
}

// Weights as whole_weights() defines them, of positions whose upper bits do not matter.
HWY_INLINE void whole_weights(const Taps& taps, VI first, VI second, VW* HWY_RESTRICT w) {
    const DW dw;
    const DI di;
    const auto turned = [&](VI position) HWY_ATTR {
        const auto high = hn::ShiftLeft<32 - kPhaseBits>(position);
        return hn::ShiftRight<16>(hn::Xor(high, hn::Set(di, static_cast<int32_t>(0x80000000U))));
    };
    const auto s = hn::Max(packed(turned(first), turned(second)), hn::Set(dw, -32767));
    const auto z = hn::MulFixedPoint15(s, s);
    const auto square = [&](const int16_t* c) HWY_ATTR {
        const auto high = hn::Add(hn::MulFixedPoint15(hn::Set(dw, c[2]), z), hn::Set(dw, c[1]));
        return hn::Add(hn::MulFixedPoint15(high, z), hn::Set(dw, c[0]));
    };
    constexpr int kHalf = kUsualTaps / 2;
    auto rest = hn::Set(dw, kWholeOne / 2);
    for (int p = 0; p < kHalf; ++p) {
        const auto even = p + 1 < kHalf ? square(taps.whole_even[p]) : rest;
        rest = hn::Sub(rest, even);
        const auto odd = hn::MulFixedPoint15(square(taps.whole_odd[p]), s);
        w[p] = hn::Add(even, odd);
        w[kUsualTaps - 1 - p] = hn::Sub(even, odd);
    }
}

// The weights of neighbouring taps as pairs, of the first row and of the second.
HWY_INLINE void pair_up(const VW* w, VW* HWY_RESTRICT first, VW* HWY_RESTRICT second) {
    const DW dw;
    for (int i = 0; i < kUsualTaps / 2; ++i) {
        first[i] = hn::InterleaveLower(dw, w[2 * i], w[2 * i + 1]);
        second[i] = hn::InterleaveUpper(dw, w[2 * i], w[2 * i + 1]);
    }
}

// `count` planes of one geometry over a cell, by six taps.
HWY_INLINE void sample_bytes(const CellPlane* planes, int count, const Taps& taps,
                             const BytePositions& at, float (*HWY_RESTRICT out)[kCellArea]) {
    const DF d;
    const DI di;
    const auto n = static_cast<int>(hn::Lanes(d));
    for (int j = 0; j < kCell; j += 2) {
        for (int k = 0; k < kCell; k += n) {
            const int first = j * kCell + k;
            const int second = first + kCell;
            VW w[kUsualTaps];
            VW wx[2][kUsualTaps / 2];
            VW wy[2][kUsualTaps / 2];
            whole_weights(taps, hn::Load(di, at.x + first), hn::Load(di, at.x + second), w);
            pair_up(w, wx[0], wx[1]);
            whole_weights(taps, hn::Load(di, at.y + first), hn::Load(di, at.y + second), w);
            pair_up(w, wy[0], wy[1]);
            for (int row = 0; row < 2; ++row) {
                const int i = row == 0 ? first : second;
                const ByteSpot<kUsualTaps> spot(at.x + i, at.y + i, at.monotone);
                for (int c = 0; c < count; ++c) {
                    hn::Store(sample_row<kUsualTaps, kLineShift>(planes[c], spot, wx[row], wy[row],
                                                                 kWholeScale),
                              d, out[c] + i);
                }
            }
        }
    }
}

// Two planes of one geometry over a cell, bilinearly.
HWY_INLINE void sample_linear_bytes(const CellPlane* planes, const BytePositions& at,
                                    float (*HWY_RESTRICT out)[kCellArea]) {
    const DF d;
    const DI di;
    const auto n = static_cast<int>(hn::Lanes(d));
    const auto weights = [&](const int32_t* position) HWY_ATTR {
        const auto t = hn::And(hn::Load(di, position), hn::Set(di, kPhases - 1));
        const auto rest = hn::Sub(hn::Set(di, kPhases), t);
        return hn::BitCast(DW(), hn::Or(rest, hn::ShiftLeft<16>(t)));
    };
    for (int i = 0; i < kCellArea; i += n) {
        const ByteSpot<2> spot(at.x + i, at.y + i, at.monotone);
        const VW wx = weights(at.x + i);
        const VW wy = weights(at.y + i);
        for (int c = 0; c < 2; ++c) {
            hn::Store(sample_row<2, kLinearLineShift>(planes[c], spot, &wx, &wy, kLinearScale), d,
                      out[c] + i);
        }
    }
}

}  // namespace
}  // namespace HWY_NAMESPACE
}  // namespace broadloom
HWY_AFTER_NAMESPACE();
#endif  // HWY_TARGET != HWY_SCALAR

#endif  // target toggle
