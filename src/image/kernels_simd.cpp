// One source, compiled once for each instruction set (libhwy's foreach_target).
#include <algorithm>
#include <cmath>

#include "broadloom/error.hpp"
#include "image/kernels.hpp"

#define HWY_DISABLED_TARGETS \
    (HWY_SSSE3 | HWY_AVX3_DL | HWY_WASM | HWY_SVE | HWY_SVE2 | HWY_SVE_256 | HWY_SVE2_128)
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "image/kernels_simd.cpp"
#include <hwy/foreach_target.h>
//
#include <hwy/highway.h>

#include "image/node_batch_simd.hpp"
#include "image/sample_bytes_simd.hpp"
#include "image/sample_plane_simd.hpp"

// libhwy's set for processors without vectors is never asked for: the plain twins are there.
#if HWY_TARGET != HWY_SCALAR
HWY_BEFORE_NAMESPACE();
namespace broadloom {
namespace HWY_NAMESPACE {
namespace {

namespace hn = hwy::HWY_NAMESPACE;

using D16 = hn::Rebind<int16_t, DF>;

HWY_INLINE void interpolate_one(const float* c, float* HWY_RESTRICT out) {
    const DF d;
    const auto n = static_cast<int>(hn::Lanes(d));
    const auto half = hn::Set(d, 0.5F);
    const auto share = hn::Set(d, 1.0F / kCell);
    // Where rows start and how they rise, one in a lane.
    HWY_ALIGN float left[kCell];
    HWY_ALIGN float slope[kCell];
    for (int j = 0; j < kCell; j += n) {
        const auto ty = hn::Mul(hn::Add(hn::Iota(d, static_cast<float>(j)), half), share);
        const auto l = hn::Add(hn::Set(d, c[0]), hn::Mul(hn::Set(d, c[2] - c[0]), ty));
        const auto r = hn::Add(hn::Set(d, c[1]), hn::Mul(hn::Set(d, c[3] - c[1]), ty));
        hn::Store(l, d, left + j);
        hn::Store(hn::Mul(hn::Sub(r, l), share), d, slope + j);
    }
    for (int k = 0; k < kCell; k += n) {
        const auto at = hn::Add(hn::Iota(d, static_cast<float>(k)), half);
        for (int j = 0; j < kCell; ++j) {
            hn::Store(hn::Add(hn::Set(d, left[j]), hn::Mul(hn::Set(d, slope[j]), at)), d,
                      out + j * kCell + k);
        }
    }
}

void interpolate_cell(const CellCorners& corners, CellCoords& out) {
    interpolate_one(corners.u, out.u);
    interpolate_one(corners.v, out.v);
    out.by_channel = corners.by_channel;
    out.monotone = true;
    out.corners_of_g = true;
    for (int c = 0; c < (corners.by_channel ? 3 : 1); ++c) {
        interpolate_one(corners.h[c], out.h[c]);
        std::copy_n(corners.g[c], 4, out.g_corner[c]);
    }
}

// g of pixels k.. of row j.
HWY_INLINE VF light_of(const CellCoords& coords, int c, int j, int k) {
    const DF d;
    if (!coords.corners_of_g) return hn::Load(d, coords.g[c] + j * kCell + k);
    const EdgeLine line(coords.g_corner[c], j);
    const auto at = hn::Add(hn::Iota(d, static_cast<float>(k)), hn::Set(d, 0.5F));
    return hn::Add(hn::Set(d, line.left), hn::Mul(hn::Set(d, line.slope), at));
}

// Corrected values where both ends lie on the power part of the curve.
HWY_INLINE VF power_part(VF v, VF h) {
    const DF d;
    return hn::Add(hn::Mul(v, h), hn::Mul(hn::Set(d, kCurveOffset), hn::Sub(h, hn::Set(d, 1.0F))));
}

HWY_INLINE hn::Mask<DF> is_dark(VF v, VF power) {
    // Either end below the toe, which is positive: the smaller one is.
    return hn::Lt(hn::Min(v, power), hn::Set(DF(), kToeEnd));
}

// The rest of corrected_value() for lanes of `dark`.
HWY_NOINLINE VF correct_dark(VF v, VF power, VF g) {
    const DF d;
    const auto toe = hn::Set(d, kToeEnd);
    const auto straight = hn::Mul(v, g);
    const auto dark = is_dark(v, power);
    const auto both = hn::And(hn::Lt(v, toe), hn::Le(straight, toe));
    auto out = hn::IfThenElse(both, straight, power);
    const auto between = hn::AndNot(both, dark);
    if (!hn::AllFalse(d, between)) {
        HWY_ALIGN float fv[kCell];
        HWY_ALIGN float fg[kCell];
        HWY_ALIGN float fo[kCell];
        HWY_ALIGN float fm[kCell];
        hn::Store(v, d, fv);
        hn::Store(g, d, fg);
        hn::Store(out, d, fo);
        hn::Store(hn::IfThenElse(between, hn::Set(d, 1.0F), hn::Zero(d)), d, fm);
        for (size_t i = 0; i < hn::Lanes(d); ++i) {
            if (fm[i] != 0.0F) fo[i] = corrected_toe(fv[i], fg[i]);
        }
        out = hn::Load(d, fo);
    }
    return out;
}

HWY_INLINE VF clipped_to_white(const CellSampler& s, VF least) {
    const DF d;
    const auto past = hn::Mul(hn::Sub(least, hn::Set(d, s.clip_start)), hn::Set(d, s.clip_scale));
    return hn::Min(hn::Max(past, hn::Zero(d)), hn::Set(d, 1.0F));
}

HWY_INLINE VF lifted_factor(VF factor, VF clipped) {
    const DF d;
    const auto missing = hn::Max(hn::Sub(hn::Set(d, 1.0F), factor), hn::Zero(d));
    return hn::Add(factor, hn::Mul(missing, clipped));
}

HWY_INLINE void store(const CellSampler& s, VF value, int16_t* to) {
    const DF d;
    const D16 d16;
    const auto low = hn::Set(d, static_cast<float>(s.keep_range ? -kWorkLimit : 0));
    const auto high = hn::Set(d, static_cast<float>(s.keep_range ? kWorkLimit : kWorkWhite));
    const auto scaled = hn::Min(hn::Max(hn::Mul(value, hn::Set(d, 32.0F)), low), high);
    hn::StoreU(hn::DemoteTo(d16, to_nearest(scaled)), d16, to);
}

HWY_INLINE void store(const CellSampler& /*s*/, VF value, float* to) {
    hn::StoreU(value, DF(), to);
}

template <bool kSixteen, bool kThree, bool kLinear, typename Out>
HWY_NOINLINE void sample_cell_of(const CellSampler& s, const CellCoords& coords,
                                 Out* HWY_RESTRICT r, Out* HWY_RESTRICT g, Out* HWY_RESTRICT b,
                                 std::ptrdiff_t stride) {
    const DF d;
    const auto n = static_cast<int>(hn::Lanes(d));
    HWY_ALIGN float planes[3][kCellArea];
    if constexpr (kSixteen) {
        sample_floats<kSixteen, kThree, kLinear>(s, coords, planes);
    } else {
        if (HWY_LIKELY(s.taps->count == kUsualTaps)) {
            sample_bytes(s.plane, kThree && !kLinear ? 3 : 1, *s.taps,
                         BytePositions(s, s.plane[0], coords), planes);
        } else {
            sample_floats<kSixteen, kThree, kLinear>(s, coords, planes);
        }
        if constexpr (kThree && kLinear) {
            sample_linear_bytes(s.plane + 1, BytePositions(s, s.plane[1], coords), planes + 1);
        }
    }
    for (int j = 0; j < kCell; ++j) {
        for (int k = 0; k < kCell; k += n) {
            const int at = j * kCell + k;
            auto c0 = hn::Load(d, planes[0] + at);
            auto c1 = c0;
            auto c2 = c0;
            if constexpr (kThree) {
                c1 = hn::Load(d, planes[1] + at);
                c2 = hn::Load(d, planes[2] + at);
                if (s.ycc) {
                    const auto mid = hn::Set(d, 128.0F);
                    const auto cb = hn::Sub(c1, mid);
                    const auto cr = hn::Sub(c2, mid);
                    c1 = hn::Sub(hn::Sub(c0, hn::Mul(hn::Set(d, 0.344136F), cb)),
                                 hn::Mul(hn::Set(d, 0.714136F), cr));
                    c2 = hn::Add(c0, hn::Mul(hn::Set(d, 1.772F), cb));
                    c0 = hn::Add(c0, hn::Mul(hn::Set(d, 1.402F), cr));
                }
            }
            if (s.photometric) {
                auto h0 = hn::Load(d, coords.h[0] + at);
                auto h1 = h0;
                auto h2 = h0;
                if (coords.by_channel) {
                    h1 = hn::Load(d, coords.h[1] + at);
                    h2 = hn::Load(d, coords.h[2] + at);
                }
                h0 = hn::Mul(h0, hn::Set(d, s.gain_h[0]));
                h1 = hn::Mul(h1, hn::Set(d, s.gain_h[1]));
                h2 = hn::Mul(h2, hn::Set(d, s.gain_h[2]));
                const auto start = hn::Set(d, s.clip_start);
                const auto least = hn::Min(hn::Min(c0, c1), c2);
                auto clipped = hn::Zero(d);
                if (HWY_UNLIKELY(!hn::AllFalse(d, hn::Gt(least, start)))) {
                    clipped = clipped_to_white(s, least);
                    h0 = lifted_factor(h0, clipped);
                    h1 = lifted_factor(h1, clipped);
                    h2 = lifted_factor(h2, clipped);
                }
                const auto p0 = power_part(c0, h0);
                const auto p1 = power_part(c1, h1);
                const auto p2 = power_part(c2, h2);
                const auto lowest =
                    hn::Min(hn::Min(hn::Min(c0, p0), hn::Min(c1, p1)), hn::Min(c2, p2));
                if (HWY_UNLIKELY(!hn::AllFalse(d, hn::Lt(lowest, hn::Set(d, kToeEnd))))) {
                    const int by = coords.by_channel ? 1 : 0;
                    auto g0 = light_of(coords, 0, j, k);
                    auto g1 = light_of(coords, by, j, k);
                    auto g2 = light_of(coords, 2 * by, j, k);
                    g0 = lifted_factor(hn::Mul(g0, hn::Set(d, s.gain_g[0])), clipped);
                    g1 = lifted_factor(hn::Mul(g1, hn::Set(d, s.gain_g[1])), clipped);
                    g2 = lifted_factor(hn::Mul(g2, hn::Set(d, s.gain_g[2])), clipped);
                    c0 = correct_dark(c0, p0, g0);
                    c1 = correct_dark(c1, p1, g1);
                    c2 = correct_dark(c2, p2, g2);
                } else {
                    c0 = p0;
                    c1 = p1;
                    c2 = p2;
                }
            }
            store(s, c0, r + j * stride + k);
            store(s, c1, g + j * stride + k);
            store(s, c2, b + j * stride + k);
        }
    }
}

template <bool kSixteen, typename Out>
void sample_cell_bits(const CellSampler& s, const CellCoords& coords, Out* r, Out* g, Out* b,
                      std::ptrdiff_t stride) {
    if (s.planes == 1) {
        sample_cell_of<kSixteen, false, false, Out>(s, coords, r, g, b, stride);
    } else if (s.chroma_linear) {
        sample_cell_of<kSixteen, true, true, Out>(s, coords, r, g, b, stride);
    } else {
        sample_cell_of<kSixteen, true, false, Out>(s, coords, r, g, b, stride);
    }
}

template <typename Out>
void sample_cell(const CellSampler& s, const CellCoords& coords, Out* r, Out* g, Out* b,
                 std::ptrdiff_t stride) {
    if (s.sixteen_bits) {
        sample_cell_bits<true, Out>(s, coords, r, g, b, stride);
    } else {
        sample_cell_bits<false, Out>(s, coords, r, g, b, stride);
    }
}

// Tags for the integer kernels: full vectors of 32 bits and the 16-bit halves that fill them.
using E32 = hn::ScalableTag<int32_t>;
using E16 = hn::Rebind<int16_t, E32>;
using F16 = hn::ScalableTag<int16_t>;

HWY_INLINE hn::Vec<E32> load_32(const int16_t* p) {
    return hn::PromoteTo(E32(), hn::LoadU(E16(), p));
}

HWY_INLINE int16_t saturate(int32_t v) {
    return static_cast<int16_t>(v < INT16_MIN ? INT16_MIN : (v > INT16_MAX ? INT16_MAX : v));
}

void reduce_row(const int16_t* const rows[5], int32_t* HWY_RESTRICT scratch,
                int16_t* HWY_RESTRICT out, int64_t n) {
    const E32 d;
    const E16 d16;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    const int64_t wide = 2 * n + 3;
    const int16_t* a = rows[0];
    const int16_t* b = rows[1];
    const int16_t* c = rows[2];
    const int16_t* e = rows[3];
    const int16_t* f = rows[4];
    int64_t x = 0;
    for (; x + lanes <= wide; x += lanes) {
        const auto outer = hn::Add(load_32(a + x), load_32(f + x));
        const auto inner = hn::Add(load_32(b + x), load_32(e + x));
        const auto mid = load_32(c + x);
        const auto six = hn::Add(hn::ShiftLeft<2>(mid), hn::ShiftLeft<1>(mid));
        hn::StoreU(hn::Add(hn::Add(outer, hn::ShiftLeft<2>(inner)), six), d, scratch + x);
    }
    for (; x < wide; ++x) scratch[x] = (a[x] + f[x]) + 4 * (b[x] + e[x]) + 6 * c[x];
    x = 0;
    const auto half = hn::Set(d, 128);
    // The last interleaved load ends at 2 (x + lanes) + 4; stay inside the 2 n + 3 values.
    for (; 2 * (x + lanes) + 4 <= wide; x += lanes) {
        hn::Vec<E32> s0, s1, s2, s3, s4, s5;
        hn::LoadInterleaved2(d, scratch + 2 * x, s0, s1);
        hn::LoadInterleaved2(d, scratch + 2 * x + 2, s2, s3);
        hn::LoadInterleaved2(d, scratch + 2 * x + 4, s4, s5);
        const auto six = hn::Add(hn::ShiftLeft<2>(s2), hn::ShiftLeft<1>(s2));
        const auto sum = hn::Add(hn::Add(hn::Add(s0, s4), hn::ShiftLeft<2>(hn::Add(s1, s3))),
                                 hn::Add(six, half));
        hn::StoreU(hn::DemoteTo(d16, hn::ShiftRight<8>(sum)), d16, out + x);
    }
    for (; x < n; ++x) {
        const int32_t* s = scratch + 2 * x;
        out[x] = static_cast<int16_t>(((s[0] + s[4]) + 4 * (s[1] + s[3]) + 6 * s[2] + 128) >> 8);
    }
}

void expand_row(const int16_t* const rows[3], bool odd, int32_t* HWY_RESTRICT scratch,
                int16_t* HWY_RESTRICT out, int64_t pairs) {
    const E32 d;
    const E16 d16;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    const int64_t wide = pairs + 2;
    const int16_t* a = rows[0];
    const int16_t* b = rows[1];
    const int16_t* c = rows[2];
    int64_t x = 0;
    if (odd) {
        for (; x + lanes <= wide; x += lanes) {
            hn::StoreU(hn::ShiftLeft<2>(hn::Add(load_32(b + x), load_32(c + x))), d, scratch + x);
        }
        for (; x < wide; ++x) scratch[x] = 4 * (b[x] + c[x]);
    } else {
        for (; x + lanes <= wide; x += lanes) {
            const auto mid = load_32(b + x);
            const auto six = hn::Add(hn::ShiftLeft<2>(mid), hn::ShiftLeft<1>(mid));
            hn::StoreU(hn::Add(hn::Add(load_32(a + x), load_32(c + x)), six), d, scratch + x);
        }
        for (; x < wide; ++x) scratch[x] = a[x] + 6 * b[x] + c[x];
    }
    int64_t i = 0;
    const auto half = hn::Set(d, 32);
    for (; i + lanes + 2 <= wide; i += lanes) {
        const auto s0 = hn::LoadU(d, scratch + i);
        const auto s1 = hn::LoadU(d, scratch + i + 1);
        const auto s2 = hn::LoadU(d, scratch + i + 2);
        const auto six = hn::Add(hn::ShiftLeft<2>(s1), hn::ShiftLeft<1>(s1));
        const auto even = hn::ShiftRight<6>(hn::Add(hn::Add(s0, s2), hn::Add(six, half)));
        const auto odds = hn::ShiftRight<6>(hn::Add(hn::ShiftLeft<2>(hn::Add(s1, s2)), half));
        hn::StoreInterleaved2(hn::DemoteTo(d16, even), hn::DemoteTo(d16, odds), d16, out + 2 * i);
    }
    for (; i < pairs; ++i) {
        const int32_t* s = scratch + i;
        out[2 * i] = saturate((s[0] + 6 * s[1] + s[2] + 32) >> 6);
        out[2 * i + 1] = saturate((4 * (s[1] + s[2]) + 32) >> 6);
    }
}

void accumulate_row(int16_t* HWY_RESTRICT acc, const int16_t* fine, const int16_t* expanded,
                    const int16_t* weight, int64_t n) {
    const F16 d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        auto band = hn::LoadU(d, fine + x);
        if (expanded != nullptr) band = hn::SaturatedSub(band, hn::LoadU(d, expanded + x));
        const auto product = hn::MulFixedPoint15(band, hn::LoadU(d, weight + x));
        hn::StoreU(hn::SaturatedSub(hn::LoadU(d, acc + x), product), d, acc + x);
    }
    for (; x < n; ++x) {
        const int32_t band = saturate(fine[x] - (expanded != nullptr ? expanded[x] : 0));
        acc[x] = saturate(acc[x] - saturate((band * weight[x] + 0x4000) >> 15));
    }
}

void add_row(int16_t* HWY_RESTRICT dst, const int16_t* src, int64_t n) {
    const F16 d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        hn::StoreU(hn::SaturatedAdd(hn::LoadU(d, dst + x), hn::LoadU(d, src + x)), d, dst + x);
    }
    for (; x < n; ++x) dst[x] = saturate(dst[x] + src[x]);
}

void subtract_row(int16_t* dst, const int16_t* a, const int16_t* b, int64_t n) {
    const F16 d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    const auto high = hn::Set(d, kWorkLimit);
    const auto low = hn::Set(d, -kWorkLimit);
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        const auto v = hn::SaturatedSub(hn::LoadU(d, a + x), hn::LoadU(d, b + x));
        hn::StoreU(hn::Min(hn::Max(v, low), high), d, dst + x);
    }
    for (; x < n; ++x) {
        dst[x] = static_cast<int16_t>(std::clamp(a[x] - b[x], -kWorkLimit, kWorkLimit));
    }
}

// The same for floats.
using RF = hn::ScalableTag<float>;

HWY_INLINE hn::Vec<RF> five_taps(hn::Vec<RF> outer_a, hn::Vec<RF> outer_b, hn::Vec<RF> inner_a,
                                 hn::Vec<RF> inner_b, hn::Vec<RF> mid) {
    const RF d;
    return hn::Add(
        hn::Add(hn::Add(outer_a, outer_b), hn::Mul(hn::Set(d, 4.0F), hn::Add(inner_a, inner_b))),
        hn::Mul(hn::Set(d, 6.0F), mid));
}

HWY_INLINE float five_taps(float outer_a, float outer_b, float inner_a, float inner_b, float mid) {
    return ((outer_a + outer_b) + 4.0F * (inner_a + inner_b)) + 6.0F * mid;
}

void reduce_float_row(const float* const rows[5], float* HWY_RESTRICT scratch,
                      float* HWY_RESTRICT out, int64_t n) {
    const RF d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    const int64_t wide = 2 * n + 3;
    const float* a = rows[0];
    const float* b = rows[1];
    const float* c = rows[2];
    const float* e = rows[3];
    const float* f = rows[4];
    int64_t x = 0;
    for (; x + lanes <= wide; x += lanes) {
        hn::StoreU(five_taps(hn::LoadU(d, a + x), hn::LoadU(d, f + x), hn::LoadU(d, b + x),
                             hn::LoadU(d, e + x), hn::LoadU(d, c + x)),
                   d, scratch + x);
    }
    for (; x < wide; ++x) scratch[x] = five_taps(a[x], f[x], b[x], e[x], c[x]);
    x = 0;
    const auto share = hn::Set(d, 1.0F / 256.0F);
    for (; 2 * (x + lanes) + 4 <= wide; x += lanes) {
        hn::Vec<RF> s0, s1, s2, s3, s4, s5;
        hn::LoadInterleaved2(d, scratch + 2 * x, s0, s1);
        hn::LoadInterleaved2(d, scratch + 2 * x + 2, s2, s3);
        hn::LoadInterleaved2(d, scratch + 2 * x + 4, s4, s5);
        hn::StoreU(hn::Mul(five_taps(s0, s4, s1, s3, s2), share), d, out + x);
    }
    for (; x < n; ++x) {
        const float* s = scratch + 2 * x;
        out[x] = five_taps(s[0], s[4], s[1], s[3], s[2]) * (1.0F / 256.0F);
    }
}

void expand_float_row(const float* const rows[3], bool odd, float* HWY_RESTRICT scratch,
                      float* HWY_RESTRICT out, int64_t pairs) {
    const RF d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    const int64_t wide = pairs + 2;
    const auto four = hn::Set(d, 4.0F);
    const auto six = hn::Set(d, 6.0F);
    const float* a = rows[0];
    const float* b = rows[1];
    const float* c = rows[2];
    int64_t x = 0;
    if (odd) {
        for (; x + lanes <= wide; x += lanes) {
            hn::StoreU(hn::Mul(four, hn::Add(hn::LoadU(d, b + x), hn::LoadU(d, c + x))), d,
                       scratch + x);
        }
        for (; x < wide; ++x) scratch[x] = 4.0F * (b[x] + c[x]);
    } else {
        for (; x + lanes <= wide; x += lanes) {
            hn::StoreU(hn::Add(hn::Add(hn::LoadU(d, a + x), hn::LoadU(d, c + x)),
                               hn::Mul(six, hn::LoadU(d, b + x))),
                       d, scratch + x);
        }
        for (; x < wide; ++x) scratch[x] = (a[x] + c[x]) + 6.0F * b[x];
    }
    int64_t i = 0;
    const auto share = hn::Set(d, 1.0F / 64.0F);
    for (; i + lanes + 2 <= wide; i += lanes) {
        const auto s0 = hn::LoadU(d, scratch + i);
        const auto s1 = hn::LoadU(d, scratch + i + 1);
        const auto s2 = hn::LoadU(d, scratch + i + 2);
        const auto even = hn::Mul(hn::Add(hn::Add(s0, s2), hn::Mul(six, s1)), share);
        const auto odds = hn::Mul(hn::Mul(four, hn::Add(s1, s2)), share);
        hn::StoreInterleaved2(even, odds, d, out + 2 * i);
    }
    for (; i < pairs; ++i) {
        const float* s = scratch + i;
        out[2 * i] = ((s[0] + s[2]) + 6.0F * s[1]) * (1.0F / 64.0F);
        out[2 * i + 1] = (4.0F * (s[1] + s[2])) * (1.0F / 64.0F);
    }
}

void accumulate_float_row(float* HWY_RESTRICT acc, const float* fine, const float* expanded,
                          const float* weight, int64_t n) {
    const RF d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        auto band = hn::LoadU(d, fine + x);
        if (expanded != nullptr) band = hn::Sub(band, hn::LoadU(d, expanded + x));
        const auto product = hn::Mul(hn::LoadU(d, weight + x), band);
        hn::StoreU(hn::Add(hn::LoadU(d, acc + x), product), d, acc + x);
    }
    for (; x < n; ++x) {
        acc[x] += weight[x] * (expanded != nullptr ? fine[x] - expanded[x] : fine[x]);
    }
}

void add_float_row(float* HWY_RESTRICT dst, const float* src, int64_t n) {
    const RF d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        hn::StoreU(hn::Add(hn::LoadU(d, dst + x), hn::LoadU(d, src + x)), d, dst + x);
    }
    for (; x < n; ++x) dst[x] += src[x];
}

void subtract_float_row(float* dst, const float* a, const float* b, int64_t n) {
    const RF d;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        hn::StoreU(hn::Sub(hn::LoadU(d, a + x), hn::LoadU(d, b + x)), d, dst + x);
    }
    for (; x < n; ++x) dst[x] = a[x] - b[x];
}

void pack_row(const int16_t* r, const int16_t* g, const int16_t* b, uint8_t* HWY_RESTRICT rgbx,
              int64_t n, Rounding rounding) {
    const F16 d;
    const E16 half_d;
    const E32 d32;
    const hn::RebindToUnsigned<E32> du32;
    const hn::Rebind<uint8_t, F16> d8;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    // Multiples of the step for the lanes of the lower and the upper half of a vector.
    const auto lane = hn::Iota(du32, 0);
    const auto step = hn::Set(du32, rounding.step);
    auto lower = hn::Add(hn::Set(du32, rounding.first), hn::Mul(lane, step));
    const auto half_step = hn::Set(du32, static_cast<uint32_t>(lanes / 2) * rounding.step);
    const auto to_offsets = [&](hn::Vec<decltype(du32)> at) HWY_ATTR {
        return hn::DemoteTo(half_d, hn::BitCast(d32, hn::ShiftRight<27>(at)));
    };
    auto offsets = hn::Zero(d);
    const auto to_bytes = [&](const int16_t* p) HWY_ATTR {
        return hn::DemoteTo(d8,
                            hn::ShiftRight<kWorkShift>(hn::SaturatedAdd(hn::LoadU(d, p), offsets)));
    };
    const auto full = hn::Set(d8, 255);
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        const auto upper = hn::Add(lower, half_step);
        offsets = hn::Combine(d, to_offsets(upper), to_offsets(lower));
        lower = hn::Add(upper, half_step);
        hn::StoreInterleaved4(to_bytes(r + x), to_bytes(g + x), to_bytes(b + x), full, d8,
                              rgbx + 4 * x);
    }
    int32_t offset = 0;
    const auto one = [&](int16_t v) {
        const int32_t rounded = (v + offset) >> kWorkShift;
        return static_cast<uint8_t>(rounded < 0 ? 0 : (rounded > 255 ? 255 : rounded));
    };
    for (; x < n; ++x) {
        offset =
            static_cast<int32_t>((rounding.first + static_cast<uint32_t>(x) * rounding.step) >> 27);
        rgbx[4 * x] = one(r[x]);
        rgbx[4 * x + 1] = one(g[x]);
        rgbx[4 * x + 2] = one(b[x]);
        rgbx[4 * x + 3] = 255;
    }
}

void pack_deep_row(const float* r, const float* g, const float* b, uint16_t* HWY_RESTRICT rgba,
                   int64_t n) {
    const RF d;
    const hn::Rebind<uint16_t, RF> d16;
    const auto lanes = static_cast<int64_t>(hn::Lanes(d));
    const auto to_sixteen = [&](const float* p) HWY_ATTR {
        const auto scaled = hn::Mul(hn::LoadU(d, p), hn::Set(d, 257.0F));
        const auto limited = hn::Min(hn::Max(scaled, hn::Zero(d)), hn::Set(d, 65535.0F));
        return hn::DemoteTo(d16, hn::NearestInt(limited));
    };
    const auto full = hn::Set(d16, 65535);
    int64_t x = 0;
    for (; x + lanes <= n; x += lanes) {
        hn::StoreInterleaved4(to_sixteen(r + x), to_sixteen(g + x), to_sixteen(b + x), full, d16,
                              rgba + 4 * x);
    }
    const auto one = [](float v) {
        return static_cast<uint16_t>(std::lrintf(std::min(std::max(v * 257.0F, 0.0F), 65535.0F)));
    };
    for (; x < n; ++x) {
        rgba[4 * x] = one(r[x]);
        rgba[4 * x + 1] = one(g[x]);
        rgba[4 * x + 2] = one(b[x]);
        rgba[4 * x + 3] = 65535;
    }
}

}  // namespace

const Kernels* kernel_table(const char* name) {
    static Kernels table{name,
                         project_nodes,
                         interpolate_cell,
                         sample_cell<int16_t>,
                         sample_cell<float>,
                         {reduce_row, expand_row, accumulate_row, add_row, subtract_row},
                         {reduce_float_row, expand_float_row, accumulate_float_row, add_float_row,
                          subtract_float_row},
                         pack_row,
                         pack_deep_row};
    return &table;
}

}  // namespace HWY_NAMESPACE
}  // namespace broadloom
HWY_AFTER_NAMESPACE();
#endif  // HWY_TARGET != HWY_SCALAR

#if HWY_ONCE
namespace broadloom {

const Kernels& kernels_for(InstructionSet set) {
    // Where the compiler's flags leave one set only it is known without asking the processor.
    const int64_t supported = HWY_SUPPORTED_TARGETS;
    const bool any = set == InstructionSet::automatic;
    if (set == InstructionSet::plain) return plain_kernels();
#if HWY_TARGETS & HWY_AVX3
    if ((any || set == InstructionSet::avx512) && (supported & HWY_AVX3) != 0) {
        return *N_AVX3::kernel_table("avx512");
    }
#endif
#if HWY_TARGETS & HWY_AVX2
    if ((any || set == InstructionSet::avx2) && (supported & HWY_AVX2) != 0) {
        return *N_AVX2::kernel_table("avx2");
    }
#endif
#if HWY_TARGETS & HWY_SSE4
    if ((any || set == InstructionSet::sse4) && (supported & HWY_SSE4) != 0) {
        return *N_SSE4::kernel_table("sse4");
    }
#endif
#if HWY_TARGETS & HWY_NEON
    if ((any || set == InstructionSet::neon) && (supported & HWY_NEON) != 0) {
        return *N_NEON::kernel_table("neon");
    }
#endif
    if (any) return plain_kernels();
    throw Error(ErrorCode::usage,
                "--instruction-set: this processor or build has no such instruction set; leave the "
                "option out to let the program choose");
}

}  // namespace broadloom
#endif  // HWY_ONCE
