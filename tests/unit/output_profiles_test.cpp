#include "io/output_profiles.hpp"

#include <lcms2.h>

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <random>
#include <string>
#include <vector>

using namespace broadloom;

namespace {

/// Largest difference in levels after going from `profile` to Little CMS' own sRGB.
int largest_change(const std::vector<uint8_t>& profile) {
    cmsHPROFILE ours =
        cmsOpenProfileFromMem(profile.data(), static_cast<cmsUInt32Number>(profile.size()));
    REQUIRE(ours != nullptr);
    cmsHPROFILE theirs = cmsCreate_sRGBProfile();
    // Floating point between, so that only the profiles differ.
    cmsHTRANSFORM transform = cmsCreateTransform(ours, TYPE_RGB_8, theirs, TYPE_RGB_8,
                                                 INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    REQUIRE(transform != nullptr);
    std::vector<uint8_t> in;
    for (int v = 0; v < 256; ++v)  // greys and the pure colours
        for (int mask = 1; mask < 8; ++mask)
            for (int c = 0; c < 3; ++c) in.push_back(static_cast<uint8_t>(mask >> c & 1 ? v : 0));
    for (int r = 0; r < 256; r += 15)
        for (int g = 0; g < 256; g += 15)
            for (int b = 0; b < 256; b += 15)
                for (const int v : {r, g, b}) in.push_back(static_cast<uint8_t>(v));
    std::vector<uint8_t> out(in.size());
    cmsDoTransform(transform, in.data(), out.data(), static_cast<cmsUInt32Number>(in.size() / 3));
    cmsDeleteTransform(transform);
    cmsCloseProfile(theirs);
    cmsCloseProfile(ours);
    int most = 0;
    for (size_t i = 0; i < in.size(); ++i)
        most = std::max(most, std::abs(int{in[i]} - int{out[i]}));
    return most;
}

/// Where a tag's content begins.
size_t tag_offset(const std::vector<uint8_t>& profile, const std::string& signature) {
    for (size_t i = 132; i + 12 <= profile.size(); i += 12)
        if (std::string(profile.begin() + static_cast<std::ptrdiff_t>(i),
                        profile.begin() + static_cast<std::ptrdiff_t>(i) + 4) == signature)
            return size_t{profile[i + 4]} << 24 | size_t{profile[i + 5]} << 16 |
                   size_t{profile[i + 6]} << 8 | profile[i + 7];
    FAIL("no tag " << signature);
    return 0;
}

}  // namespace

TEST_CASE("Little CMS takes the profile for sRGB", "[profile]") {
    // Reference: the sRGB that Little CMS builds by itself.
    CHECK(largest_change(output_profile(ColourSpace::srgb)) <= 1);
}

namespace {

/// The profile that Little CMS builds of a space from the published chromaticities and curve.
cmsHPROFILE lcms_profile(ColourSpace space) {
    cmsCIExyY white{0.3127, 0.3290, 1};
    // Adobe RGB (1998) Color Image Encoding, 4.2.3; SMPTE RP 431-2 for Display P3's primaries.
    cmsCIExyYTRIPLE adobe{{0.64, 0.33, 1}, {0.21, 0.71, 1}, {0.15, 0.06, 1}};
    cmsCIExyYTRIPLE p3{{0.68, 0.32, 1}, {0.265, 0.69, 1}, {0.15, 0.06, 1}};
    // IEC 61966-2-1.
    const double srgb[5] = {2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045};
    const bool is_adobe = space == ColourSpace::adobe_rgb;
    cmsToneCurve* curve = is_adobe ? cmsBuildGamma(nullptr, 563.0 / 256)
                                   : cmsBuildParametricToneCurve(nullptr, 4, srgb);
    cmsToneCurve* curves[3] = {curve, curve, curve};
    cmsHPROFILE profile = cmsCreateRGBProfile(&white, is_adobe ? &adobe : &p3, curves);
    cmsFreeToneCurve(curve);
    return profile;
}

/// Largest difference in 16-bit values between colours that go through one profile and through
/// another into X, Y, Z.
double largest_xyz_difference(const std::vector<uint8_t>& ours, cmsHPROFILE reference) {
    cmsHPROFILE opened =
        cmsOpenProfileFromMem(ours.data(), static_cast<cmsUInt32Number>(ours.size()));
    REQUIRE(opened != nullptr);
    cmsHPROFILE xyz = cmsCreateXYZProfile();
    double most = 0;
    std::vector<float> in;
    for (int r = 0; r <= 255; r += 15)
        for (int g = 0; g <= 255; g += 15)
            for (int b = 0; b <= 255; b += 15)
                for (const int v : {r, g, b}) in.push_back(static_cast<float>(v) / 255);
    std::vector<double> found[2];
    for (size_t i = 0; i < 2; ++i) {
        cmsHTRANSFORM transform =
            cmsCreateTransform(i == 0 ? opened : reference, TYPE_RGB_FLT, xyz, TYPE_XYZ_DBL,
                               INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
        REQUIRE(transform != nullptr);
        found[i].resize(in.size());
        cmsDoTransform(transform, in.data(), found[i].data(),
                       static_cast<cmsUInt32Number>(in.size() / 3));
        cmsDeleteTransform(transform);
    }
    for (size_t i = 0; i < in.size(); ++i)
        most = std::max(most, std::abs(found[0][i] - found[1][i]));
    cmsCloseProfile(xyz);
    cmsCloseProfile(opened);
    return most;
}

}  // namespace

TEST_CASE("Display P3 and Adobe RGB profiles mean what Little CMS computes from the primaries",
          "[profile]") {
    for (const ColourSpace space : {ColourSpace::display_p3, ColourSpace::adobe_rgb}) {
        cmsHPROFILE reference = lcms_profile(space);
        REQUIRE(reference != nullptr);
        // Primaries and curve entries are rounded to 1/65536; Little CMS' D50 differs by 2e-5.
        CHECK(largest_xyz_difference(output_profile(space), reference) < 5e-5);
        // Control: the other spaces are told apart.
        for (const ColourSpace other :
             {ColourSpace::srgb, ColourSpace::display_p3, ColourSpace::adobe_rgb}) {
            if (other == space) continue;
            CHECK(largest_xyz_difference(output_profile(other), reference) > 0.01);
        }
        cmsCloseProfile(reference);
    }
}

TEST_CASE("the comparison notices another curve and other primaries", "[profile][negative]") {
    std::vector<uint8_t> profile = output_profile(ColourSpace::srgb);
    const size_t curve = tag_offset(profile, "rTRC");
    for (size_t i = 0; i < 1024; ++i) {  // a curve of gamma 2
        const auto value = static_cast<uint32_t>(
            std::lround(65535.0 * static_cast<double>(i * i) / (1023.0 * 1023.0)));
        profile[curve + 12 + 2 * i] = static_cast<uint8_t>(value >> 8);
        profile[curve + 13 + 2 * i] = static_cast<uint8_t>(value);
    }
    CHECK(largest_change(profile) > 3);
    profile = output_profile(ColourSpace::srgb);
    profile[tag_offset(profile, "gXYZ") + 10] ^= 0x20;  // green's X up or down by 1/8
    CHECK(largest_change(profile) > 3);
}

TEST_CASE("the profile's header and curve hold what ICC.1 and IEC 61966-2-1 say", "[profile]") {
    const std::vector<uint8_t> profile = output_profile(ColourSpace::srgb);
    CHECK(profile == output_profile(ColourSpace::srgb));
    REQUIRE(profile.size() > 132);
    CHECK(profile.size() % 4 == 0);
    const size_t size =
        size_t{profile[0]} << 24 | size_t{profile[1]} << 16 | size_t{profile[2]} << 8 | profile[3];
    CHECK(size == profile.size());
    CHECK(std::string(profile.begin() + 12, profile.begin() + 24) == "mntrRGB XYZ ");
    CHECK(std::string(profile.begin() + 36, profile.begin() + 40) == "acsp");
    // The curve against pow(), to half a unit of its 16 bits.
    const size_t curve = tag_offset(profile, "bTRC");
    for (size_t i = 0; i < 1024; ++i) {
        const double x = static_cast<double>(i) / 1023;
        const double y = x <= 0.04045 ? x / 12.92 : std::pow((x + 0.055) / 1.055, 2.4);
        const int stored = profile[curve + 12 + 2 * i] << 8 | profile[curve + 13 + 2 * i];
        CHECK(std::abs(stored - 65535 * y) <= 0.5 + 1e-9);
    }
    // The three primaries add up to the connection space's D50, as s15Fixed16Number.
    for (size_t component = 0; component < 3; ++component) {
        int sum = 0;
        for (const char* tag : {"rXYZ", "gXYZ", "bXYZ"}) {
            const size_t at = tag_offset(profile, tag) + 8 + 4 * component;
            sum +=
                profile[at] << 24 | profile[at + 1] << 16 | profile[at + 2] << 8 | profile[at + 3];
        }
        const int d50[] = {0xf6d6, 0x10000, 0xd32d};  // ICC.1, the header's illuminant
        CHECK(sum == d50[component]);
    }
    cmsHPROFILE opened =
        cmsOpenProfileFromMem(profile.data(), static_cast<cmsUInt32Number>(profile.size()));
    REQUIRE(opened != nullptr);
    char text[64] = {};
    cmsGetProfileInfoASCII(opened, cmsInfoDescription, "en", "US", text, sizeof text);
    CHECK(std::string(text) == "sRGB (IEC 61966-2-1)");
    CHECK(cmsGetProfileVersion(opened) == Approx(2.4));
    CHECK(cmsIsMatrixShaper(opened));
    CHECK(cmsReadTag(opened, cmsSigChromaticAdaptationTag) != nullptr);
    cmsCloseProfile(opened);
}
