/// Colour profiles for tests, built by Little CMS; none is ours.
#pragma once

#include <lcms2.h>

#include <cstdint>
#include <memory>
#include <stdexcept>
#include <string>
#include <vector>

namespace broadloom::test {

using IccBytes = std::vector<uint8_t>;

struct LcmsClose {
    void operator()(cmsHPROFILE p) const { cmsCloseProfile(p); }
};
using LcmsProfile = std::unique_ptr<void, LcmsClose>;

inline IccBytes saved(cmsHPROFILE profile) {
    cmsUInt32Number size = 0;
    cmsSaveProfileToMem(profile, nullptr, &size);
    IccBytes bytes(size);
    if (size == 0 || cmsSaveProfileToMem(profile, bytes.data(), &size) == 0) {
        throw std::runtime_error("Little CMS cannot save a profile");
    }
    return bytes;
}

inline void name_it(cmsHPROFILE profile, const std::string& name) {
    cmsMLU* text = cmsMLUalloc(nullptr, 1);
    cmsMLUsetASCII(text, "en", "US", name.c_str());
    cmsWriteTag(profile, cmsSigProfileDescriptionTag, text);
    cmsMLUfree(text);
}

struct Chromaticities {
    double white_x, white_y, red_x, red_y, green_x, green_y, blue_x, blue_y;
};
// IEC 61966-2-1; Adobe RGB (1998) Color Image Encoding, 4.2; SMPTE RP 431-2 with D65; ISO 22028-2
// (ROMM RGB, white D50).
inline constexpr Chromaticities kSrgbXy{0.3127, 0.3290, 0.64, 0.33, 0.30, 0.60, 0.15, 0.06};
inline constexpr Chromaticities kAdobeXy{0.3127, 0.3290, 0.64, 0.33, 0.21, 0.71, 0.15, 0.06};
inline constexpr Chromaticities kP3Xy{0.3127, 0.3290, 0.68, 0.32, 0.265, 0.69, 0.15, 0.06};
inline constexpr Chromaticities kRommXy{0.3457,   0.3585,   0.734699, 0.265301,
                                        0.159597, 0.840403, 0.036598, 0.000105};

inline cmsToneCurve* srgb_curve() {
    const double parameters[5] = {2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045};
    return cmsBuildParametricToneCurve(nullptr, 4, parameters);
}

/// gamma 0: the sRGB curve. A version of 2.x writes curves as tables where they are no power.
inline IccBytes matrix_profile(const Chromaticities& c, double gamma, const std::string& name,
                               double version = 4.3) {
    const cmsCIExyY white{c.white_x, c.white_y, 1};
    const cmsCIExyYTRIPLE primaries{
        {c.red_x, c.red_y, 1}, {c.green_x, c.green_y, 1}, {c.blue_x, c.blue_y, 1}};
    cmsToneCurve* curve = gamma > 0 ? cmsBuildGamma(nullptr, gamma) : srgb_curve();
    cmsToneCurve* curves[3] = {curve, curve, curve};
    const LcmsProfile profile(cmsCreateRGBProfile(&white, &primaries, curves));
    cmsFreeToneCurve(curve);
    cmsSetProfileVersion(profile.get(), version);
    name_it(profile.get(), name);
    return saved(profile.get());
}

/// sRGB whose red and blue are exchanged.
inline IccBytes swapped_profile(const std::string& name = "Swapped sRGB") {
    Chromaticities c = kSrgbXy;
    std::swap(c.red_x, c.blue_x);
    std::swap(c.red_y, c.blue_y);
    return matrix_profile(c, 0, name);
}

inline IccBytes grey_profile(double gamma) {
    const cmsCIExyY white{0.3127, 0.3290, 1};
    cmsToneCurve* curve = cmsBuildGamma(nullptr, gamma);
    const LcmsProfile profile(cmsCreateGrayProfile(&white, curve));
    cmsFreeToneCurve(curve);
    name_it(profile.get(), "Grey");
    return saved(profile.get());
}

/// Adobe RGB (1998) as a table of colours (A2B0 and A2B1, Lab, 17 nodes a side) whose reds are
/// duller.
inline IccBytes table_profile() {
    const IccBytes base_bytes = matrix_profile(kAdobeXy, 563.0 / 256, "base");
    const LcmsProfile base(
        cmsOpenProfileFromMem(base_bytes.data(), static_cast<cmsUInt32Number>(base_bytes.size())));
    const LcmsProfile lab(cmsCreateLab4Profile(nullptr));
    cmsHTRANSFORM to_lab = cmsCreateTransform(base.get(), TYPE_RGB_16, lab.get(), TYPE_Lab_DBL,
                                              INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    const auto sample = [](const cmsUInt16Number* in, cmsUInt16Number* out, void* cargo) -> int {
        cmsCIELab colour;
        cmsDoTransform(static_cast<cmsHTRANSFORM>(cargo), in, &colour, 1);
        if (colour.a > 0) colour.a *= 0.8;
        cmsFloat2LabEncoded(out, &colour);
        return 1;
    };
    cmsPipeline* pipeline = cmsPipelineAlloc(nullptr, 3, 3);
    cmsStage* table = cmsStageAllocCLut16bit(nullptr, 17, 3, 3, nullptr);
    cmsStageSampleCLut16bit(table, sample, to_lab, 0);
    cmsPipelineInsertStage(pipeline, cmsAT_BEGIN, cmsStageAllocToneCurves(nullptr, 3, nullptr));
    cmsPipelineInsertStage(pipeline, cmsAT_END, table);
    cmsPipelineInsertStage(pipeline, cmsAT_END, cmsStageAllocToneCurves(nullptr, 3, nullptr));
    const LcmsProfile profile(cmsCreateProfilePlaceholder(nullptr));
    cmsSetProfileVersion(profile.get(), 4.3);
    cmsSetDeviceClass(profile.get(), cmsSigInputClass);
    cmsSetColorSpace(profile.get(), cmsSigRgbData);
    cmsSetPCS(profile.get(), cmsSigLabData);
    cmsWriteTag(profile.get(), cmsSigMediaWhitePointTag, cmsD50_XYZ());
    name_it(profile.get(), "Table");
    cmsWriteTag(profile.get(), cmsSigAToB0Tag, pipeline);
    cmsWriteTag(profile.get(), cmsSigAToB1Tag, pipeline);  // libvips asks for the intent's own
    cmsPipelineFree(pipeline);
    cmsDeleteTransform(to_lab);
    return saved(profile.get());
}

}  // namespace broadloom::test
