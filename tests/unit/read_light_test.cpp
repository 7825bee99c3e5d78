// Frames' light as align compares it: in sRGB, whatever their profiles.
#include <catch2/catch.hpp>
#include <cmath>

#include "align/frame_set.hpp"
#include "match/convert_colours.hpp"
#include "support/frame_files.hpp"
#include "support/made_up_profiles.hpp"

using namespace broadloom;
using namespace broadloom::test;

namespace {

/// Smooth colours inside every space, 16 bits; the size is no multiple of a cell.
Picture<uint16_t> smooth() {
    Picture<uint16_t> p{53, 37, 3, {}};
    for (int y = 0; y < p.height; ++y) {
        for (int x = 0; x < p.width; ++x) {
            for (const double v : {0.4 + 0.004 * x, 0.5 + 0.003 * y, 0.6 - 0.002 * x}) {
                p.samples.push_back(static_cast<uint16_t>(65535 * v));
            }
        }
    }
    return p;
}

Picture<uint16_t> encoded(Picture<uint16_t> p, const IccBytes& icc) {
    const LcmsProfile from(cmsCreate_sRGBProfile());
    const LcmsProfile to(
        cmsOpenProfileFromMem(icc.data(), static_cast<cmsUInt32Number>(icc.size())));
    cmsHTRANSFORM transform = cmsCreateTransform(from.get(), TYPE_RGB_16, to.get(), TYPE_RGB_16,
                                                 INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    REQUIRE(transform != nullptr);
    const Picture<uint16_t> source = p;
    cmsDoTransform(transform, source.samples.data(), p.samples.data(),
                   static_cast<cmsUInt32Number>(p.samples.size() / 3));
    cmsDeleteTransform(transform);
    return p;
}

}  // namespace

TEST_CASE("the light of frames is read in sRGB, whatever their profiles", "[align][colour]") {
    start_frame_library();
    const Folder folder;
    const Picture<uint16_t> picture = smooth();
    const IccBytes adobe = matrix_profile(kAdobeXy, 2.2, "Adobe like");
    const IccBytes wide = matrix_profile(kRommXy, 1.8, "Wide");
    const auto save = [&](const std::string& name, const Picture<uint16_t>& p,
                          const IccBytes& icc) {
        VipsImage* image = to_vips(p, VIPS_INTERPRETATION_RGB16);
        if (!icc.empty())
            vips_image_set_blob_copy(image, VIPS_META_ICC_NAME, icc.data(), icc.size());
        save_vips(image, (folder / name).native());
    };
    save("plain.tif", picture, {});
    save("adobe.tif", encoded(picture, adobe), adobe);
    save("wide.tif", encoded(picture, wide), wide);
    Scene scene;
    Camera camera;
    camera.width = picture.width;
    camera.height = picture.height;
    camera.focal_px = 100;
    scene.cameras["main"] = camera;
    for (const char* name : {"plain.tif", "adobe.tif", "wide.tif"}) {
        Frame frame;
        frame.file = (folder / name).native();
        frame.camera = "main";
        scene.frames.push_back(frame);
    }
    const FrameSet set = open_frames(scene);
    FramePixels scratch;
    CHECK(set.frames[0].stage == nullptr);
    const ColourImage plain = read_light(set.frames[0], 1, scratch);
    for (size_t i = 1; i < 3; ++i) {
        const AlignFrame& f = set.frames[i];
        CHECK(f.stage != nullptr);
        const ColourImage light = read_light(f, 1, scratch);
        const ColourImage raw = read_colour(f.path, f.name, f.info, f.orientation, 1, scratch);
        REQUIRE(light.pixels.size() == plain.pixels.size());
        int most = 0;
        int unconverted = 0;
        for (size_t k = 0; k < plain.pixels.size(); ++k) {
            most = std::max(most, std::abs(int{light.pixels[k]} - int{plain.pixels[k]}));
            unconverted =
                std::max(unconverted, std::abs(int{raw.pixels[k]} - int{plain.pixels[k]}));
        }
        CHECK(most < 30);  // Little CMS' own steps of 16 bits, there and back: a tenth of a level
        CHECK(unconverted > 1000);
    }
}
