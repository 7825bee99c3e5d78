/// A made-up world for benchmarks: quick to photograph, with the detail of a sharp photograph, and
/// the same again every so many degrees of longitude, so that a few frames go round the horizon.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "support/card_world.hpp"

namespace broadloom::test {

/// Leaves that hide each other ("dead leaves"; A. B. Lee, D. Mumford, J. Huang, "Occlusion models
/// for natural images", IJCV 41, 2001: sizes by the inverse cube give the statistics of
/// photographs), two layers of them under a scenery of materials, each with its tone and its share
/// of detail, from none to rich.
class RepeatingWorld : public CardWorld {
  public:
    /// `pixel_deg`: angle of a frame's pixel, which sets what is fine; `period_deg` divides 360
    /// where frames go all round; `side`: of the textures, a power of two (they take 12 side^2
    /// bytes); `contrast` of what is fine, 1: about 3 bits a pixel at JPEG quality 92.
    RepeatingWorld(double pixel_deg, double period_deg, int64_t side, uint32_t seed,
                   double contrast = 1);
    void light(const double* longitude_deg, const double* latitude_deg, size_t count,
               float* rgb) const override;

  private:
    /// Four bytes a texel, side x side, without edges.
    using Texture = std::vector<uint8_t>;
    /// Where a texture lies: texels a degree.
    struct Layer {
        Texture texture;
        double texels_per_deg = 0;
    };
    void sample(const Layer& layer, double longitude, double latitude, float out[4]) const;
    [[nodiscard]] Texture leaves(double least, double most, uint32_t seed) const;
    [[nodiscard]] Layer layer_of(double period_deg, double pixel_deg, double texels_per_pixel,
                                 int64_t other_than, double least, double most,
                                 uint32_t seed) const;

    int64_t side_;
    Layer scenery_, busy_, plain_;
    std::vector<float> decode_;  // encoded value * 16 to linear light
    float contrast_;
};

}  // namespace broadloom::test
