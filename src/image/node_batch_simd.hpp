/// Lattice nodes of the canvas in a frame by vector code. Part of kernels_simd.cpp, compiled once
/// for each instruction set; follows FrameGeometry::at() operation by operation.

// Included again for every target: the usual guard, turned round with libhwy's toggle.
#if defined(BROADLOOM_NODE_BATCH_SIMD) == defined(HWY_TARGET_TOGGLE)
#ifdef BROADLOOM_NODE_BATCH_SIMD
#undef BROADLOOM_NODE_BATCH_SIMD
#else
#define BROADLOOM_NODE_BATCH_SIMD
#endif

#include <hwy/highway.h>

#include "image/node_batch.hpp"

#if HWY_TARGET != HWY_SCALAR
HWY_BEFORE_NAMESPACE();
namespace broadloom {
namespace HWY_NAMESPACE {
namespace {

namespace hn = hwy::HWY_NAMESPACE;

using DN = hn::CappedTag<double, NodeBatch::kSize>;
using VN = hn::Vec<DN>;
using MN = hn::Mask<DN>;
using DNF = hn::Rebind<float, DN>;
using DNI = hn::Rebind<int32_t, DN>;
using VNF = hn::Vec<DNF>;
using VNI = hn::Vec<DNI>;

// One axis of a spline's basis: the first coefficient and the weights.
HWY_INLINE VNI node_basis(int count, VN position, double side, VN* HWY_RESTRICT weight) {
    const DN d;
    const DNI di;
    const auto set = [&](double v) HWY_ATTR { return hn::Set(d, v); };
    const auto inside = hn::Min(hn::Mul(position, hn::Set(d, 1 / side)), hn::Set(d, 1.0));
    const auto share = hn::IfThenElseZero(hn::Gt(position, hn::Zero(d)), inside);
    const auto at = hn::Mul(share, set(count - 3));
    const VNI first = hn::Min(hn::DemoteTo(di, at), hn::Set(di, count - 4));
    const auto t = hn::Sub(at, hn::PromoteTo(d, first));
    const auto s = hn::Sub(set(1), t);
    const auto sixth = set(1.0 / 6);
    const auto outer = [&](VN v) HWY_ATTR { return hn::Mul(hn::Mul(hn::Mul(v, v), v), sixth); };
    const auto inner = [&](VN v) HWY_ATTR {
        const auto bend = hn::Sub(hn::Mul(set(3), v), set(6));
        return hn::Mul(hn::Add(set(4), hn::Mul(hn::Mul(v, v), bend)), sixth);
    };
    weight[0] = outer(s);
    weight[1] = inner(t);
    weight[2] = inner(s);
    weight[3] = outer(t);
    return first;
}

// The values of a spline's `count` kinds at positions.
HWY_INLINE void node_values(const NodeSpline& spline, int count, VN x, VN y, double width,
                            double height, VN* HWY_RESTRICT out) {
    const DN d;
    const DNF df;
    const DNI di;
    VN wx[4];
    VN wy[4];
    const VNI column = node_basis(spline.columns, x, width, wx);
    const VNI row = node_basis(spline.rows, y, height, wy);
    const VNI first = hn::Add(hn::Mul(row, hn::Set(di, spline.columns)), column);
    // Neighbours mostly lie between the same coefficients.
    const int32_t one = hn::GetLane(first);
    const bool same = hn::AllTrue(di, hn::Eq(first, hn::Set(di, one)));
    for (int k = 0; k < count; ++k) {
        const float* from = spline.coefficients[static_cast<size_t>(k)];
        auto sum = hn::Zero(d);
        for (int j = 0; j < 4; ++j) {
            auto line = hn::Zero(d);
            for (int i = 0; i < 4; ++i) {
                const float* at = from + j * spline.columns + i;
                const VN c = same ? hn::Set(d, static_cast<double>(at[one]))
                                  : hn::PromoteTo(d, hn::GatherIndex(df, at, first));
                line = hn::Add(line, hn::Mul(wx[i], c));
            }
            sum = hn::Add(sum, hn::Mul(wy[j], line));
        }
        out[k] = sum;
    }
}

// e^x by its series, where it is short enough.
HWY_INLINE VN node_exponential(VN x) {
    const DN d;
    const auto one = hn::Set(d, 1.0);
    auto sum = one;
    for (int i = 8; i >= 1; --i) {
        sum = hn::Add(one, hn::Mul(hn::Mul(sum, x), hn::Set(d, 1.0 / i)));
    }
    return sum;
}

HWY_INLINE void project_some(const NodeProjection& p, NodeBatch& batch, size_t first) {
    const DN d;
    const DNF df;
    const DNI di;
    const auto set = [&](double v) HWY_ATTR { return hn::Set(d, v); };
    const auto across = set(batch.across);
    const auto east = hn::Mul(across, hn::Load(d, batch.sine + first));
    const auto south = set(batch.down);
    const auto north = hn::Mul(across, hn::Load(d, batch.cosine + first));
    const auto turned = [&](size_t row) HWY_ATTR {
        const double* m = p.to_camera.data() + 3 * row;
        return hn::Add(hn::Add(hn::Mul(set(m[0]), east), hn::Mul(set(m[1]), south)),
                       hn::Mul(set(m[2]), north));
    };
    const auto z = turned(2);
    const auto score = hn::Mul(z, set(batch.inverse_norm));
    hn::Store(score, d, batch.score + first);
    hn::Store(hn::Zero(d), d, batch.single + first);
    const auto keep = [&](MN mask, double* to)
                          HWY_ATTR { hn::Store(hn::IfThenElseZero(mask, set(1)), d, to + first); };
    MN valid = hn::And(hn::Gt(z, hn::Zero(d)), hn::Ge(score, set(p.least_score)));
    keep(valid, batch.valid);
    if (hn::AllFalse(d, valid)) return;

    const auto inverse = hn::Div(set(1), z);
    const auto a = hn::Mul(turned(0), inverse);
    const auto b = hn::Mul(turned(1), inverse);
    const auto aa = hn::Mul(a, a);
    const auto bb = hn::Mul(b, b);
    const auto r2 = hn::Add(aa, bb);
    auto radial = hn::Add(set(p.k2), hn::Mul(r2, set(p.k3)));
    radial = hn::Add(set(p.k1), hn::Mul(r2, radial));
    radial = hn::Add(set(1), hn::Mul(r2, radial));
    const auto twice_aa = hn::Mul(hn::Mul(set(2), a), a);
    const auto twice_bb = hn::Mul(hn::Mul(set(2), b), b);
    const auto ab = [&](double tangential)
                        HWY_ATTR { return hn::Mul(hn::Mul(set(2 * tangential), a), b); };
    auto x =
        hn::Add(hn::Add(hn::Mul(a, radial), ab(p.p1)), hn::Mul(set(p.p2), hn::Add(r2, twice_aa)));
    auto y =
        hn::Add(hn::Add(hn::Mul(b, radial), hn::Mul(set(p.p1), hn::Add(r2, twice_bb))), ab(p.p2));
    x = hn::Add(hn::Mul(set(p.focal), x), set(p.cx));
    y = hn::Add(hn::Mul(set(p.focal), y), set(p.cy));
    const auto most = set(1e8);
    valid = hn::And(hn::And(valid, hn::Lt(r2, set(p.fold_sq))),
                    hn::And(hn::Lt(hn::Abs(x), most), hn::Lt(hn::Abs(y), most)));
    keep(valid, batch.valid);
    const auto away = [&](VN at, double side) HWY_ATTR {
        return hn::Or(hn::Lt(at, set(-p.margin)), hn::Gt(at, set(side + p.margin)));
    };
    const MN near = hn::AndNot(hn::Or(away(x, p.width), away(y, p.height)), valid);
    const auto ones = hn::Set(df, 1.0F);
    VNF h[3] = {ones, ones, ones};
    VNF g[3] = {ones, ones, ones};
    if (!hn::AllFalse(d, near)) {
        // Lanes that are not near may hold anything.
        if (p.shift.columns > 0) {
            VN by[2];
            node_values(p.shift, 2, x, y, p.width, p.height, by);
            x = hn::Add(x, hn::IfThenElseZero(near, by[0]));
            y = hn::Add(y, hn::IfThenElseZero(near, by[1]));
        }
        if (p.vignetting != nullptr) {
            const auto dx = hn::IfThenElseZero(near, hn::Sub(x, set(p.cx)));
            const auto dy = hn::IfThenElseZero(near, hn::Sub(y, set(p.cy)));
            const auto at =
                hn::Min(hn::Max(hn::Mul(hn::Mul(hn::Add(hn::Mul(dx, dx), hn::Mul(dy, dy)),
                                                set(p.inverse_half_diagonal_sq)),
                                        set(p.table_scale)),
                                hn::Zero(d)),
                        set(p.table_steps));
            const VNI i = hn::DemoteTo(di, at);
            const VNF t = hn::DemoteTo(df, hn::Sub(at, hn::PromoteTo(d, i)));
            const auto entry = [&](int k) HWY_ATTR {
                return hn::GatherIndex(df, p.vignetting + k, hn::Add(i, i));
            };
            const auto h0 = entry(0);
            const auto g0 = entry(1);
            h[0] = h[1] = h[2] = hn::Add(h0, hn::Mul(hn::Sub(entry(2), h0), t));
            g[0] = g[1] = g[2] = hn::Add(g0, hn::Mul(hn::Sub(entry(3), g0), t));
        }
        if (p.light.columns > 0) {
            VN gain[3];
            node_values(p.light, 3, x, y, p.width, p.height, gain);
            MN far = hn::Lt(hn::Zero(d), hn::Zero(d));
            for (int c = 0; c < 3; ++c) {
                far = hn::Or(far, hn::Gt(hn::Abs(gain[c]), set(0.4)));
                g[c] = hn::Mul(g[c], hn::DemoteTo(df, node_exponential(gain[c])));
                h[c] = hn::Mul(h[c],
                               hn::DemoteTo(df, node_exponential(hn::Mul(gain[c], set(1 / 2.4)))));
            }
            keep(hn::And(far, near), batch.single);
        }
    }
    hn::Store(x, d, batch.x + first);
    hn::Store(y, d, batch.y + first);
    // One where nothing applies.
    const auto lit = hn::DemoteTo(df, hn::IfThenElseZero(near, set(1)));
    const auto there = hn::Gt(lit, hn::Zero(df));
    for (int c = 0; c < 3; ++c) {
        hn::Store(hn::IfThenElse(there, h[c], ones), df, batch.h[c] + first);
        hn::Store(hn::IfThenElse(there, g[c], ones), df, batch.g[c] + first);
    }
}

void project_nodes(const NodeProjection& projection, NodeBatch& batch) {
    for (size_t i = 0; i < NodeBatch::kSize; i += hn::Lanes(DN())) {
        project_some(projection, batch, i);
    }
}

}  // namespace
}  // namespace HWY_NAMESPACE
}  // namespace broadloom
HWY_AFTER_NAMESPACE();
#endif  // HWY_TARGET != HWY_SCALAR

#endif  // target toggle
