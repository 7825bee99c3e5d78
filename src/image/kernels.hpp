/// The inner loops, each as a plain twin and as vector code for several instruction sets. All twins
/// give the same bits: sums are associated as written, a*b+c is never contracted, rounding is to
/// nearest (even) from float and half up in integer shifts.
///
/// Working values are encoded as in sRGB and come in two types. 16-bit signed, 255 -> 255 * 32 =
/// 8160: five fraction bits keep 8-bit gradients smooth through the blend. Float, 255 -> 255.0F:
/// nothing of a 16-bit frame is lost.
#pragma once

#include <cstddef>
#include <cstdint>
#include <type_traits>

#include "broadloom/instruction_set.hpp"
#include "image/node_batch.hpp"
#include "image/taps.hpp"

namespace broadloom {

/// Side of a cell, the unit in which coordinates are interpolated and pixels are warped.
inline constexpr int kCell = 16;
inline constexpr int kCellArea = kCell * kCell;
inline constexpr int kWorkShift = 5;
inline constexpr int kWorkLimit = 16383;
/// White as a 16-bit working value.
inline constexpr int kWorkWhite = 255 << kWorkShift;

/// A weight of one for accumulate_row(). Of 16-bit values weights are negative because -32768 is a
/// 16-bit number and +32768 is not, which makes multiplication by one exact.
template <typename T>
inline constexpr T kWeightOneOf = T{1};
template <>
inline constexpr int16_t kWeightOneOf<int16_t> = -32768;
inline constexpr int16_t kWeightOne = kWeightOneOf<int16_t>;

/// Values at a cell's corners: top left, top right, bottom left, bottom right. u and v are frame
/// coordinates relative to an integer origin of the cell; h and g are the correction of the light
/// (without the frame's gains) for encoded and for linear values, h = g^(1/2.4).
struct CellCorners {
    float u[4], v[4];
    float h[3][4], g[3][4];   ///< R, G, B; only [0] counts unless by_channel
    bool by_channel = false;  ///< the three channels are corrected differently
};

/// Bilinear interpolation of a cell's corners along one row of pixel centres.
struct EdgeLine {
    float left, slope;
    EdgeLine(const float corner[4], int row) {
        const float ty = (static_cast<float>(row) + 0.5F) * (1.0F / kCell);
        left = corner[0] + (corner[2] - corner[0]) * ty;
        const float right = corner[1] + (corner[3] - corner[1]) * ty;
        slope = (right - left) * (1.0F / kCell);
    }
    [[nodiscard]] float at(int column) const {
        return left + slope * (static_cast<float>(column) + 0.5F);
    }
};

/// Values at the 16x16 pixel centres of a cell.
struct CellCoords {
    alignas(64) float u[kCellArea];
    alignas(64) float v[kCellArea];
    alignas(64) float h[3][kCellArea];  ///< R, G, B; only [0] counts unless by_channel
    /// Unless corners_of_g: g is needed near black only, so that an interpolated cell leaves it.
    alignas(64) float g[3][kCellArea];
    float g_corner[3][4];
    bool corners_of_g = false;
    bool by_channel = false;
    bool monotone = false;  ///< known: u rises or falls along every row, and so does v

    /// g of channel `c` (0 unless by_channel) at a pixel's number.
    [[nodiscard]] float g_at(int c, int at) const {
        if (!corners_of_g) return g[c][at];
        return EdgeLine(g_corner[c], at / kCell).at(at % kCell);
    }
};

/// One plane of a frame as a cell sees it: sample position = coordinate * scale + offset, counted
/// from `origin`; samples within the plane's border exist around it.
struct CellPlane {
    const uint8_t* origin = nullptr;
    std::ptrdiff_t stride = 0;  ///< bytes
    float scale_x = 1, scale_y = 1, offset_x = 0, offset_y = 0;
};

/// A value at the end of the file's scale only says "at least this much". JPEG and interpolation
/// leave it within two levels of 255; the ramp keeps what is next to it smooth.
inline constexpr float kClipStart = 247.0F;
inline constexpr float kClipScale = 1.0F / 6.0F;

/// How a cell is sampled. Planes 1 and 2 share their geometry (scale and offset) with each other
/// and, unless chroma_linear, with plane 0. At least four rows follow the last row that is sampled
/// from, so that 64 bytes may be read from any sample on; taps->count / 2 samples are there around
/// each plane.
struct CellSampler {
    int planes = 3;              ///< 1 or 3
    bool ycc = false;            ///< planes 1 and 2 are Cb and Cr
    bool chroma_linear = false;  ///< bilinear for planes 1 and 2 (subsampled planes)
    bool sixteen_bits = false;
    const Taps* taps = &usual_taps();  ///< weights of the planes that are not bilinear
    bool keep_range = false;   ///< 16-bit results may lie beyond black and white, to +-kWorkLimit
    bool photometric = false;  ///< apply h, g and the gains
    /// From here on a value of the file may be clipped, and from 1/clip_scale further on it is.
    float clip_start = kClipStart, clip_scale = kClipScale;
    float gain_h[3] = {1, 1, 1};                         ///< gain^(1/2.4)
    float gain_g[3] = {1, 1, 1};                         ///< gain
    float u_low = 0, u_high = 0, v_low = 0, v_high = 0;  ///< coordinates are clamped to these
    CellPlane plane[3];
};

/// The blend's rows of working values of one type. 16-bit values are rounded half up and saturate;
/// floats are neither.
template <typename T>
struct BlendRows {
    /// What sums are held in between.
    using Scratch = std::conditional_t<std::is_same_v<T, int16_t>, int32_t, T>;

    /// One row of REDUCE: out[x] = (sum over i, j of k_i k_j rows[j][2x + i]) / 256 with
    /// k = 1 4 6 4 1. `scratch` holds 2 n + 3 values.
    void (*reduce_row)(const T* const rows[5], Scratch* scratch, T* out, int64_t n);

    /// One row of EXPAND, `pairs` * 2 values: with V the vertical sum (rows 1 6 1 on even fine
    /// rows; rows[1], rows[2] 4 4 on odd ones), out[2i] = (V[i] + 6 V[i+1] + V[i+2]) / 64 and
    /// out[2i+1] = (4 V[i+1] + 4 V[i+2]) / 64. `scratch` holds pairs + 2 values.
    void (*expand_row)(const T* const rows[3], bool odd, Scratch* scratch, T* out, int64_t pairs);

    /// acc = acc + weight * (fine - expanded); 16-bit fine and expanded within +-kWorkLimit,
    /// weights as kWeightOneOf<T>; expanded may be null.
    void (*accumulate_row)(T* acc, const T* fine, const T* expanded, const T* weight, int64_t n);

    /// dst = dst + src.
    void (*add_row)(T* dst, const T* src, int64_t n);

    /// dst = a - b, 16-bit values limited to +-kWorkLimit.
    void (*subtract_row)(T* dst, const T* a, const T* b, int64_t n);
};

/// How a row of working values is rounded to whole levels: pixel i of the row adds an offset of
/// (first + i * step) mod 2^32 / 2^27, 0..31, before its five fraction bits are cut off.
struct Rounding {
    uint32_t first = 16U << 27, step = 0;  ///< to nearest

    /// Ordered dither by canvas position, so that smooth gradients show no bands: multiples of the
    /// first two powers of the plastic number's inverse spread evenly over the plane (M. Roberts,
    /// "The unreasonable effectiveness of quasirandom sequences", 2018, from memory). Its mean
    /// error is zero, and whole levels stay what they are.
    static constexpr Rounding dithered(int64_t x, int64_t y) {
        return {static_cast<uint32_t>(x) * 3242174889U + static_cast<uint32_t>(y) * 2447445414U,
                3242174889U};
    }
};

struct Kernels {
    const char* name;

    /// Lattice nodes in a frame; null: FrameGeometry::at() is the plain twin.
    void (*project_nodes)(const NodeProjection& projection, NodeBatch& batch);

    /// Bilinear interpolation of the corners to the pixel centres.
    void (*interpolate_cell)(const CellCorners& corners, CellCoords& out);

    /// Samples, converts to R, G, B, corrects, and stores 16 rows of 16 working values a channel,
    /// limited to black..white unless the sampler keeps the range.
    void (*sample_cell)(const CellSampler& sampler, const CellCoords& coords, int16_t* r,
                        int16_t* g, int16_t* b, std::ptrdiff_t stride);

    /// The same in floats, 255 = white, neither rounded nor limited. `stride` in values.
    void (*sample_cell_float)(const CellSampler& sampler, const CellCoords& coords, float* r,
                              float* g, float* b, std::ptrdiff_t stride);

    BlendRows<int16_t> work;
    BlendRows<float> deep;

    template <typename T>
    [[nodiscard]] const BlendRows<T>& rows() const {
        if constexpr (std::is_same_v<T, int16_t>) {
            return work;
        } else {
            return deep;
        }
    }

    /// Working values to 8-bit R, G, B, 255: (value + offset) >> 5, limited to 0..255.
    void (*pack_row)(const int16_t* r, const int16_t* g, const int16_t* b, uint8_t* rgbx, int64_t n,
                     Rounding rounding);

    /// Float working values to 16-bit R, G, B, 65535: value * 257 rounded to nearest, limited.
    void (*pack_deep_row)(const float* r, const float* g, const float* b, uint16_t* rgba,
                          int64_t n);
};

/// The kernels of an instruction set; `automatic` is the best that this processor has.
/// Throws Error{usage} when the processor or the build lacks it.
const Kernels& kernels_for(InstructionSet set);

/// The plain twins, the oracle of all others.
const Kernels& plain_kernels();

/// The exact correction of one encoded value (0..255 scale): E * g in linear light, encoded again.
/// h = g^(1/2.4). Where both ends lie on the power part of the curve this is v h + 14.025 (h - 1).
float corrected_value(float v, float h, float g);
/// The part of it where an end lies on the linear part of the curve but not both.
float corrected_toe(float v, float g);

/// How far a pixel of the file is clipped to white, 0..1: its least channel decides. Where only
/// some channels are clipped the others tell its light, and lifting it would be a guess.
constexpr float clipped_to_white(float r, float g, float b, float start = kClipStart,
                                 float scale = kClipScale) {
    float least = r < g ? r : g;
    if (b < least) least = b;
    const float past = (least - start) * scale;
    return past < 0.0F ? 0.0F : (past > 1.0F ? 1.0F : past);
}

/// The light factor of a pixel that is clipped to white as above: a factor below one is lifted
/// towards one, so that what is white in the file stays white. All channels alike keep the hue.
constexpr float lifted_factor(float factor, float clipped) {
    const float missing = 1.0F - factor;
    return factor + (missing > 0.0F ? missing : 0.0F) * clipped;
}

/// Encoded value, 0..255 scale, where the linear part of the sRGB curve ends (IEC 61966-2-1).
inline constexpr float kToeEnd = 0.04045F * 255.0F;
/// 0.055 on the 0..255 scale.
inline constexpr float kCurveOffset = 14.025F;

}  // namespace broadloom
