/// ICC.1:2010 (version 4) and ICC.1:2001-04 (version 2) for what the tags mean.
#include "io/colour_profile.hpp"

#include <lcms2.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <type_traits>

#include "io/frame_detail.hpp"

namespace broadloom {

namespace {

constexpr size_t kCurvePoints = 4097;
constexpr int kTableSide = 33;

struct CloseContext {
    void operator()(cmsContext context) const { cmsDeleteContext(context); }
};
struct CloseProfile {
    void operator()(cmsHPROFILE profile) const { cmsCloseProfile(profile); }
};
struct CloseTransform {
    void operator()(cmsHTRANSFORM transform) const { cmsDeleteTransform(transform); }
};
using Context = std::unique_ptr<std::remove_pointer_t<cmsContext>, CloseContext>;
using Profile = std::unique_ptr<void, CloseProfile>;
using Transform = std::unique_ptr<void, CloseTransform>;

// What is wrong shows in the results.
void swallow(cmsContext, cmsUInt32Number, const char*) {}

bool sane(const std::vector<float>& values) {
    // A factor of 16 above white is beyond any use; NaN and infinity fail too.
    return std::all_of(values.begin(), values.end(), [](float v) { return std::abs(v) <= 16.0F; });
}

std::vector<float> decode_points(const cmsToneCurve* curve) {
    std::vector<float> points(kCurvePoints);
    // Little CMS rounds what comes out of a curve that is a table to 16 bits of linear light, too
    // coarse for the shadows; between its entries the curve is straight.
    const bool table = cmsGetToneCurveParametricType(curve) == 0;
    const cmsUInt16Number* entries = cmsGetToneCurveEstimatedTable(curve);
    const size_t count = cmsGetToneCurveEstimatedTableEntries(curve);
    for (size_t i = 0; i < kCurvePoints; ++i) {
        const double v = static_cast<double>(i) / (kCurvePoints - 1);
        if (table && count >= 2) {
            const double x = v * static_cast<double>(count - 1);
            const size_t low = std::min(static_cast<size_t>(x), count - 2);
            const double a = entries[low];
            const double b = entries[low + 1];
            points[i] =
                static_cast<float>((a + (b - a) * (x - static_cast<double>(low))) / 65535.0);
        } else {
            points[i] = cmsEvalToneCurveFloat(curve, static_cast<float>(v));
        }
    }
    return points;
}

/// From the profile's encoded values (0..1) to X, Y, Z against D50, `n` pixels.
bool to_xyz(cmsContext context, cmsHPROFILE profile, cmsUInt32Number format,
            const std::vector<float>& in, size_t n, std::vector<double>& out) {
    const Profile xyz(cmsCreateXYZProfileTHR(context));
    if (!xyz) return false;
    const Transform transform(cmsCreateTransformTHR(context, profile, format, xyz.get(),
                                                    TYPE_XYZ_DBL, INTENT_RELATIVE_COLORIMETRIC,
                                                    cmsFLAGS_NOOPTIMIZE | cmsFLAGS_NOCACHE));
    if (!transform) return false;
    out.resize(3 * n);
    cmsDoTransform(transform.get(), in.data(), out.data(), static_cast<cmsUInt32Number>(n));
    return true;
}

void read_grey(cmsContext context, cmsHPROFILE profile, FrameColourProfile& found) {
    std::vector<float> in(kCurvePoints);
    for (size_t i = 0; i < in.size(); ++i) {
        in[i] = static_cast<float>(i) / static_cast<float>(kCurvePoints - 1);
    }
    std::vector<double> xyz;
    if (!to_xyz(context, profile, TYPE_GRAY_FLT, in, in.size(), xyz)) {
        found.problem = "it has no usable grey curve";
        return;
    }
    found.kind = FrameColourProfile::Kind::matrix;
    for (size_t i = 0; i < in.size(); ++i) in[i] = static_cast<float>(xyz[3 * i + 1]);
    found.decode.fill(in);
    found.to_xyz = to_xyz_d50(ColourSpace::srgb);
}

void read_matrix(cmsHPROFILE profile, FrameColourProfile& found) {
    constexpr cmsTagSignature kColorants[3] = {cmsSigRedColorantTag, cmsSigGreenColorantTag,
                                               cmsSigBlueColorantTag};
    constexpr cmsTagSignature kCurves[3] = {cmsSigRedTRCTag, cmsSigGreenTRCTag, cmsSigBlueTRCTag};
    found.kind = FrameColourProfile::Kind::matrix;
    for (size_t c = 0; c < 3; ++c) {
        const auto* colour = static_cast<const cmsCIEXYZ*>(cmsReadTag(profile, kColorants[c]));
        const auto* curve = static_cast<const cmsToneCurve*>(cmsReadTag(profile, kCurves[c]));
        if (colour == nullptr || curve == nullptr) {
            found.problem = "a primary or its curve is damaged";
            return;
        }
        found.to_xyz[c] = colour->X;
        found.to_xyz[3 + c] = colour->Y;
        found.to_xyz[6 + c] = colour->Z;
        found.decode[c] = decode_points(curve);
    }
}

void read_table(cmsContext context, cmsHPROFILE profile, FrameColourProfile& found) {
    found.kind = FrameColourProfile::Kind::table;
    found.side = kTableSide;
    std::vector<float> in;
    const auto level = [](int i) { return static_cast<float>(i) / (kTableSide - 1); };
    for (int r = 0; r < kTableSide; ++r) {
        for (int g = 0; g < kTableSide; ++g) {
            for (int b = 0; b < kTableSide; ++b) {
                in.insert(in.end(), {level(r), level(g), level(b)});
            }
        }
    }
    std::vector<double> xyz;
    if (!to_xyz(context, profile, TYPE_RGB_FLT, in, in.size() / 3, xyz)) {
        found.problem = "its table of colours is damaged";
        return;
    }
    found.table.resize(xyz.size());
    for (size_t i = 0; i < xyz.size(); ++i) {
        found.table[i] = static_cast<float>(lightness_code(xyz[i] * 65536.0 / kD50[i % 3]));
    }
}

/// Whether nothing changes by more than a quarter of an 8-bit level when values are taken for sRGB.
bool like_srgb(const FrameColourProfile& profile) {
    constexpr float kMost = 0.25F;
    const ColourStage stage(conversion_to(profile, ColourSpace::srgb));
    // All greys of 8 bits and the colours of 16 levels, a cell for each level of red.
    const CellSampler sampler;
    const CellCoords coords{};
    for (int cell = 0; cell <= kCell; ++cell) {
        alignas(64) float value[3][kCellArea];
        const auto expected = [&](int channel, int i) {
            constexpr float kStep = 255.0F / (kCell - 1);
            if (cell == kCell) return static_cast<float>(i);
            const int levels[3] = {cell, i / kCell, i % kCell};
            return static_cast<float>(levels[channel]) * kStep;
        };
        for (int c = 0; c < 3; ++c) {
            for (int i = 0; i < kCellArea; ++i) value[c][i] = expected(c, i);
        }
        stage.apply(sampler, coords, false, value[0], value[1], value[2], kCell);
        for (int c = 0; c < 3; ++c) {
            for (int i = 0; i < kCellArea; ++i) {
                if (!(std::abs(value[c][i] - expected(c, i)) <= kMost)) return false;
            }
        }
    }
    return true;
}

void read_profile(cmsContext context, cmsHPROFILE profile, bool grey, FrameColourProfile& found) {
    const cmsProfileClassSignature use = cmsGetDeviceClass(profile);
    if (use != cmsSigInputClass && use != cmsSigDisplayClass && use != cmsSigOutputClass &&
        use != cmsSigColorSpaceClass) {
        found.problem = "it does not describe a picture's colours";
        return;
    }
    const cmsColorSpaceSignature space = cmsGetColorSpace(profile);
    if (space != cmsSigRgbData && space != cmsSigGrayData) {
        found.problem = "it is neither for RGB nor for grey";
        return;
    }
    if (grey != (space == cmsSigGrayData)) {
        found.problem = grey ? "it is for RGB and the frame is grey"
                             : "it is for grey and the frame is in colour";
        return;
    }
    const bool with_table =
        cmsIsTag(profile, cmsSigAToB0Tag) != 0 || cmsIsTag(profile, cmsSigAToB1Tag) != 0 ||
        cmsIsTag(profile, cmsSigDToB0Tag) != 0 || cmsIsTag(profile, cmsSigDToB1Tag) != 0;
    if (grey) {
        read_grey(context, profile, found);
    } else if (!with_table && cmsIsMatrixShaper(profile) != 0 &&
               cmsGetPCS(profile) == cmsSigXYZData) {
        read_matrix(profile, found);
    } else {
        read_table(context, profile, found);
    }
    if (!found.problem.empty()) return;
    const bool finite = sane(found.decode[0]) && sane(found.decode[1]) && sane(found.decode[2]) &&
                        sane(found.table) &&
                        std::all_of(found.to_xyz.begin(), found.to_xyz.end(),
                                    [](double v) { return std::abs(v) <= 16; });
    if (!finite) found.problem = "its numbers make no sense";
}

}  // namespace

FrameColourProfile read_colour_profile(std::span<const uint8_t> icc, bool grey) {
    FrameColourProfile found;
    found.name = frame_detail::profile_name(icc);
    const Context context(cmsCreateContext(nullptr, nullptr));
    if (!context) {
        found.problem = "Little CMS does not start";
        return found;
    }
    cmsSetLogErrorHandlerTHR(context.get(), swallow);
    const Profile profile(cmsOpenProfileFromMemTHR(context.get(), icc.data(),
                                                   static_cast<cmsUInt32Number>(icc.size())));
    if (profile) {
        read_profile(context.get(), profile.get(), grey, found);
    } else {
        found.problem = "it is damaged";
    }
    const bool plain = !found.problem.empty() || like_srgb(found);
    if (plain) {
        found.kind = FrameColourProfile::Kind::srgb;
        for (auto& curve : found.decode) curve.clear();
        found.table.clear();
        found.side = 0;
    }
    return found;
}

ColourConversion conversion_to(const FrameColourProfile& profile, ColourSpace working) {
    ColourConversion c;
    switch (profile.kind) {
        case FrameColourProfile::Kind::srgb:
            c.decode.fill(srgb_decode_curve());
            c.matrix = colour_matrix(ColourSpace::srgb, working);
            break;
        case FrameColourProfile::Kind::matrix:
            c.decode = profile.decode;
            c.matrix = multiply(from_xyz_d50(working), profile.to_xyz);
            break;
        case FrameColourProfile::Kind::table:
            c.matrix = from_xyz_d50(working);
            for (size_t i = 0; i < 9; ++i) c.matrix[i] *= kD50[i % 3] / 65536.0;
            c.side = profile.side;
            c.table = profile.table;
            break;
    }
    return c;
}

}  // namespace broadloom
