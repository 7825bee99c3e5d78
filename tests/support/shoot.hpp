/// A made-up shoot for tests and benchmarks: a known picture laid on a sphere or cylinder and
/// photographed frame by frame with known cameras, aim, lens, vignetting, gains and noise.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/scene.hpp"

namespace broadloom::test {

/// 8-bit sRGB pixels, 3 bytes each.
struct Picture {
    int64_t width = 0, height = 0;
    std::vector<uint8_t> rgb;
    [[nodiscard]] const uint8_t* at(int64_t x, int64_t y) const {
        return rgb.data() + 3 * (y * width + x);
    }
};

/// Reads any picture file as 8-bit sRGB (libvips).
Picture load_picture(const std::filesystem::path& file);

struct ShootOptions {
    Surface surface = Surface::sphere;
    int rows = 2, columns = 3;
    int64_t width = 1200, height = 800;  ///< of a frame
    double overlap = 0.35;               ///< of neighbours, share of a frame
    double focal_px = 0;                 ///< 0: one frame pixel a canvas pixel at the centre
    std::array<double, 3> radial{0, 0, 0};
    std::array<double, 2> tangential{0, 0};
    std::array<double, 3> vignetting{0, 0, 0};
    double gain_spread = 0;  ///< gains lie within 2^+-spread
    double aim_error_deg = 0, roll_error_deg = 0;
    double noise_levels = 0;  ///< standard deviation
    int quality = 95;
    bool chroma_444 = false;
    uint32_t seed = 1;
    /// Frames wrap round a picture that is 360 degrees wide, or tile a mirrored plane of it.
    bool mirror = false;
    /// Write each frame only once and repeat the files: this many different files (0: all).
    int different_files = 0;
};

/// Takes the frames into `folder`/frames and returns the exact scene (its folder set, its canvas
/// the picture's unless `mirror`). `picture` covers `canvas`.
Scene shoot(const Picture& picture, const Canvas& canvas, const ShootOptions& options,
            const std::filesystem::path& folder);

/// Peak signal-to-noise ratio of two pictures of one size inside `margin` pixels from the edge, dB.
double psnr(const Picture& a, const Picture& b, int64_t margin);

/// The largest absolute mean error of any channel over all 64 x 64 blocks inside the margin,
/// levels.
double worst_block_bias(const Picture& a, const Picture& b, int64_t margin);

/// Encodes and decodes as baseline JPEG.
Picture through_jpeg(const Picture& picture, int quality, bool chroma_444);

}  // namespace broadloom::test
