/// How vector code takes one row of pixels of a cell out of a frame's planes, in floats: planes of
/// 16 bits, and all by a stretched kernel. Part of kernels_simd.cpp, compiled once for each
/// instruction set; the plain twin is in kernels_plain.cpp.

// Included again for every target: the usual guard, turned round with libhwy's toggle.
#if defined(BROADLOOM_SAMPLE_PLANE_SIMD) == defined(HWY_TARGET_TOGGLE)
#ifdef BROADLOOM_SAMPLE_PLANE_SIMD
#undef BROADLOOM_SAMPLE_PLANE_SIMD
#else
#define BROADLOOM_SAMPLE_PLANE_SIMD
#endif

#include <hwy/highway.h>

#include <algorithm>
#include <cmath>

#include "image/kernels.hpp"
#include "image/sample_bytes_simd.hpp"

#if HWY_TARGET != HWY_SCALAR
HWY_BEFORE_NAMESPACE();
namespace broadloom {
namespace HWY_NAMESPACE {
namespace {

namespace hn = hwy::HWY_NAMESPACE;

// Weights as in taps.hpp.
HWY_INLINE void tap_weights(const Taps& taps, int count, VF t, VF* HWY_RESTRICT w) {
    const DF d;
    const auto s = hn::Sub(t, hn::Set(d, 0.5F));
    const auto z = hn::Mul(s, s);
    const auto square = [&](const float* c) HWY_ATTR {
        const auto high = hn::Add(hn::Mul(hn::Set(d, c[2]), z), hn::Set(d, c[1]));
        return hn::Add(hn::Mul(high, z), hn::Set(d, c[0]));
    };
    for (int p = 0; p < count / 2; ++p) {
        const auto even = square(taps.even[p]);
        const auto odd = hn::Mul(square(taps.odd[p]), s);
        w[p] = hn::Add(even, odd);
        w[count - 1 - p] = hn::Sub(even, odd);
    }
}

// The weighted sum of two values, and of an even number of them.
HWY_INLINE VF weighted_pair(VF a, VF b, const VF* w) {
    return hn::Add(hn::Mul(a, w[0]), hn::Mul(b, w[1]));
}

HWY_INLINE VF weighted(const VF* values, const VF* w, int count) {
    auto sum = weighted_pair(values[0], values[1], w);
    for (int i = 2; i < count; i += 2) {
        sum = hn::Add(sum, weighted_pair(values[i], values[i + 1], w + i));
    }
    return sum;
}

HWY_INLINE VF between(VF a, VF b, VF t) { return hn::Add(a, hn::Mul(hn::Sub(b, a), t)); }

HWY_INLINE VF to_float(VU v) { return hn::ConvertTo(DF(), hn::BitCast(DI(), v)); }

// Four (two of 16 bits) neighbouring samples of a row in each lane.
template <bool kSixteen>
HWY_INLINE void gather(const uint8_t* base, VI offset, VF* samples) {
    const DU du;
    const auto bits = hn::GatherOffset(du, reinterpret_cast<const uint32_t*>(base), offset);
    if constexpr (kSixteen) {
        samples[0] = to_float(hn::And(bits, hn::Set(du, 0xFFFFU)));
        samples[1] = to_float(hn::ShiftRight<16>(bits));
    } else {
        const auto mask = hn::Set(du, 0xFFU);
        samples[0] = to_float(hn::And(bits, mask));
        samples[1] = to_float(hn::And(hn::ShiftRight<8>(bits), mask));
        samples[2] = to_float(hn::And(hn::ShiftRight<16>(bits), mask));
        samples[3] = to_float(hn::ShiftRight<24>(bits));
    }
}

// The weighted sum of the samples that start at base + offset in each lane.
template <bool kSixteen>
HWY_INLINE VF gathered_line(const uint8_t* base, VI offset, const VF* w, int count) {
    constexpr int kEach = kSixteen ? 2 : 4;
    VF four[4];
    gather<kSixteen>(base, offset, four);
    auto sum = weighted_pair(four[0], four[1], w);
    if constexpr (!kSixteen) sum = hn::Add(sum, weighted_pair(four[2], four[3], w + 2));
    for (int i = kEach; i < count; i += kEach) {
        gather<kSixteen>(base + i * (kSixteen ? 2 : 1), offset, four);
        sum = hn::Add(sum, weighted_pair(four[0], four[1], w + i));
        if (!kSixteen && i + 2 < count) {
            sum = hn::Add(sum, weighted_pair(four[2], four[3], w + i + 2));
        }
    }
    return sum;
}

// Byte offset of the sample at (ix, iy) in each lane.
template <bool kSixteen>
HWY_INLINE VI sample_offset(const CellPlane& p, VI ix, VI iy) {
    if constexpr (kSixteen) ix = hn::ShiftLeft<1>(ix);
    return hn::Add(hn::Mul(iy, hn::Set(DI(), static_cast<int32_t>(p.stride))), ix);
}

// A run of up to 32 samples of a row, from which every lane takes its own: as floats in two
// registers, which one instruction looks up.
#if HWY_TARGET == HWY_AVX3
constexpr bool kWordRuns = true;

struct WordRun {
    VF low, high;
    bool wide;

    HWY_INLINE WordRun(const uint8_t* at, bool is_wide) : low(load(at)), high(low), wide(is_wide) {
        if (wide) high = load(at + 32);
    }
    HWY_INLINE static VF load(const uint8_t* at) {
        const hn::Rebind<uint16_t, DF> d16;
        return hn::ConvertTo(
            DF(), hn::PromoteTo(DI(), hn::LoadU(d16, reinterpret_cast<const uint16_t*>(at))));
    }
    [[nodiscard]] HWY_INLINE VF tap(VU first, int t) const {
        const auto at = hn::Add(first, hn::Set(DU(), static_cast<uint32_t>(t)));
        if (wide) return VF{_mm512_permutex2var_ps(low.raw, at.raw, high.raw)};
        return VF{_mm512_permutexvar_ps(at.raw, low.raw)};
    }
};
#else
constexpr bool kWordRuns = false;
#endif

// Where the 16-bit samples of one row of pixels lie in a plane, shared by planes of the same
// geometry: two samples a side for bilinear planes, else kUsualTaps. Samples of lanes that lie in
// a few short runs of source rows are loaded once and shuffled; others are gathered.
template <int kTaps>
struct Position {
    static constexpr int kFirst = 1 - kTaps / 2;

    VF tx, ty;
    VI ix, iy;
    VF wx[kTaps], wy[kTaps];
    bool near = false;   // shuffled, not gathered
    bool wide = false;   // the runs are longer than 16 samples
    bool steps = false;  // some lanes lie one source row lower
    int32_t base_x = 0, base_y = 0;
    VU dx;
    hn::Mask<DF> lower;

    HWY_INLINE Position(const CellPlane& p, const Taps& taps, VF u, VF v, float u0, float u1,
                        float v0, float v1) {
        const DF d;
        const DI di;
        const DU du;
        const auto x = hn::Add(hn::Mul(u, hn::Set(d, p.scale_x)), hn::Set(d, p.offset_x));
        const auto y = hn::Add(hn::Mul(v, hn::Set(d, p.scale_y)), hn::Set(d, p.offset_y));
        const auto floor_x = hn::Floor(x);
        const auto floor_y = hn::Floor(y);
        tx = hn::Sub(x, floor_x);
        ty = hn::Sub(y, floor_y);
        ix = hn::ConvertTo(di, floor_x);
        iy = hn::ConvertTo(di, floor_y);
        if constexpr (kTaps > 2) {
            tap_weights(taps, kTaps, tx, wx);
            tap_weights(taps, kTaps, ty, wy);
        }
        // The ends of a row bound it when coordinates rise or fall along it; checked below.
        base_x = static_cast<int32_t>(std::floor(std::min(u0, u1) * p.scale_x + p.offset_x));
        base_y = static_cast<int32_t>(std::floor(std::min(v0, v1) * p.scale_y + p.offset_y));
        dx = hn::BitCast(du, hn::Sub(ix, hn::Set(di, base_x)));
        const auto dy = hn::BitCast(du, hn::Sub(iy, hn::Set(di, base_y)));
        lower = hn::RebindMask(d, hn::Gt(dy, hn::Zero(du)));
        if constexpr (kWordRuns) {
            const auto bad =
                hn::Or(hn::Gt(dx, hn::Set(du, 32U - kTaps)), hn::Gt(dy, hn::Set(du, 1U)));
            near = hn::AllFalse(du, bad);
            wide = !hn::AllFalse(du, hn::Gt(dx, hn::Set(du, 16U - kTaps)));
            steps = !hn::AllFalse(d, lower);
        }
    }
};

template <int kTaps>
HWY_INLINE VF sample_plane(const CellPlane& p, const Position<kTaps>& at) {
    constexpr bool kLinear = kTaps == 2;
    constexpr int kFirst = Position<kTaps>::kFirst;
    VF lines[kTaps];
#if HWY_TARGET == HWY_AVX3
    if (HWY_LIKELY(at.near)) {
        const uint8_t* row = p.origin + (at.base_y + kFirst) * p.stride + (at.base_x + kFirst) * 2;
        const auto line = [&](const uint8_t* start, bool wide) HWY_ATTR {
            const WordRun run(start, wide);
            VF values[kTaps];
            for (int t = 0; t < kTaps; ++t) values[t] = run.tap(at.dx, t);
            return kLinear ? between(values[0], values[1], at.tx) : weighted(values, at.wx, kTaps);
        };
        const auto all = [&](bool wide) HWY_ATTR {
            for (int r = 0; r < kTaps; ++r) lines[r] = line(row + r * p.stride, wide);
            if (!at.steps) return;
            const auto last = line(row + kTaps * p.stride, wide);
            for (int r = 0; r < kTaps; ++r) {
                lines[r] = hn::IfThenElse(at.lower, r + 1 < kTaps ? lines[r + 1] : last, lines[r]);
            }
        };
        if (at.wide) {
            all(true);
        } else {
            all(false);
        }
        return kLinear ? between(lines[0], lines[1], at.ty) : weighted(lines, at.wy, kTaps);
    }
#endif
    const VI offset = sample_offset<true>(p, at.ix, at.iy);
    const uint8_t* first = p.origin + kFirst * p.stride + kFirst * 2;
    for (int r = 0; r < kTaps; ++r) {
        if constexpr (kLinear) {
            VF two[4];
            gather<true>(first + r * p.stride, offset, two);
            lines[r] = between(two[0], two[1], at.tx);
        } else {
            lines[r] = gathered_line<true>(first + r * p.stride, offset, at.wx, kTaps);
        }
    }
    return kLinear ? between(lines[0], lines[1], at.ty) : weighted(lines, at.wy, kTaps);
}

// Planes of one geometry by a kernel of any length.
template <bool kSixteen>
HWY_NOINLINE void sample_stretched(const CellPlane* planes, int count, const Taps& taps, VF u, VF v,
                                   VF* HWY_RESTRICT out) {
    const DF d;
    const DI di;
    const auto x = hn::Add(hn::Mul(u, hn::Set(d, planes->scale_x)), hn::Set(d, planes->offset_x));
    const auto y = hn::Add(hn::Mul(v, hn::Set(d, planes->scale_y)), hn::Set(d, planes->offset_y));
    const auto floor_x = hn::Floor(x);
    const auto floor_y = hn::Floor(y);
    VF wx[kMostTaps];
    VF wy[kMostTaps];
    tap_weights(taps, taps.count, hn::Sub(x, floor_x), wx);
    tap_weights(taps, taps.count, hn::Sub(y, floor_y), wy);
    const int first = 1 - taps.count / 2;
    for (int i = 0; i < count; ++i) {
        const CellPlane& p = planes[i];
        const VI offset =
            sample_offset<kSixteen>(p, hn::ConvertTo(di, floor_x), hn::ConvertTo(di, floor_y));
        const uint8_t* row = p.origin + first * p.stride + first * (kSixteen ? 2 : 1);
        auto sum = hn::Zero(d);
        for (int r = 0; r < taps.count; r += 2, row += 2 * p.stride) {
            const auto a = gathered_line<kSixteen>(row, offset, wx, taps.count);
            const auto b = gathered_line<kSixteen>(row + p.stride, offset, wx, taps.count);
            const auto pair = weighted_pair(a, b, wy + r);
            sum = r == 0 ? pair : hn::Add(sum, pair);
        }
        out[i] = sum;
    }
}

// The planes of a cell as floats on the 0..255 scale; those that are not sampled in whole numbers.
template <bool kSixteen, bool kThree, bool kLinear>
HWY_INLINE void sample_floats(const CellSampler& s, const CellCoords& coords,
                              float (*HWY_RESTRICT planes)[kCellArea]) {
    const DF d;
    const auto n = static_cast<int>(hn::Lanes(d));
    const bool usual = s.taps->count == kUsualTaps;
    constexpr int kSharp = kThree && !kLinear ? 3 : 1;  // planes that are not bilinear
    const auto clamp = [](float t, float low, float high) {
        return std::min(std::max(t, low), high);
    };
    for (int at = 0; at < kCellArea; at += n) {
        const auto u =
            hn::Min(hn::Max(hn::Load(d, coords.u + at), hn::Set(d, s.u_low)), hn::Set(d, s.u_high));
        const auto v =
            hn::Min(hn::Max(hn::Load(d, coords.v + at), hn::Set(d, s.v_low)), hn::Set(d, s.v_high));
        VF sampled[3];
        if constexpr (kSixteen) {
            const float u0 = clamp(coords.u[at], s.u_low, s.u_high);
            const float u1 = clamp(coords.u[at + n - 1], s.u_low, s.u_high);
            const float v0 = clamp(coords.v[at], s.v_low, s.v_high);
            const float v1 = clamp(coords.v[at + n - 1], s.v_low, s.v_high);
            if (usual) {
                const Position<kUsualTaps> position(s.plane[0], *s.taps, u, v, u0, u1, v0, v1);
                for (int i = 0; i < kSharp; ++i) sampled[i] = sample_plane(s.plane[i], position);
            }
            if constexpr (kThree && kLinear) {
                const Position<2> chroma(s.plane[1], *s.taps, u, v, u0, u1, v0, v1);
                sampled[1] = sample_plane(s.plane[1], chroma);
                sampled[2] = sample_plane(s.plane[2], chroma);
            }
        }
        if (!kSixteen || !usual) {
            sample_stretched<kSixteen>(s.plane, kSharp, *s.taps, u, v, sampled);
        }
        for (int i = 0; i < (kSixteen && kThree ? 3 : kSharp); ++i) {
            if constexpr (kSixteen) {
                sampled[i] = hn::Mul(sampled[i], hn::Set(d, 255.0F / 65535.0F));
            }
            hn::Store(sampled[i], d, planes[i] + at);
        }
    }
}

}  // namespace
}  // namespace HWY_NAMESPACE
}  // namespace broadloom
HWY_AFTER_NAMESPACE();
#endif  // HWY_TARGET != HWY_SCALAR

#endif  // target toggle
