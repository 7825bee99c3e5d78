/// What the frames of a made-up card are photographs of: light by longitude and latitude.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "support/picture_sampler.hpp"
#include "support/shoot.hpp"

namespace broadloom::test {

class CardWorld {
  public:
    CardWorld() = default;
    CardWorld(const CardWorld&) = delete;
    CardWorld& operator=(const CardWorld&) = delete;
    virtual ~CardWorld() = default;

    /// Linear light in 0..1, R, G, B for each of `count` directions; fast where neighbours in the
    /// arrays are neighbours in the world. Degrees; longitude of any range, 360 apart is the same.
    /// May be called from many threads.
    virtual void light(const double* longitude_deg, const double* latitude_deg, size_t count,
                       float* rgb) const = 0;
};

/// A picture laid flat on longitude and latitude, its middle at 0, 0. Around it its outermost
/// pixels go on, which looks like nothing: keep the view inside.
class PictureWorld : public CardWorld {
  public:
    PictureWorld(const Picture& picture, double pixels_per_degree);
    void light(const double* longitude_deg, const double* latitude_deg, size_t count,
               float* rgb) const override;

  private:
    PictureSampler sampler_;
    double middle_x_, middle_y_, pixels_per_degree_;
};

/// A made-up wall of marks without end that nowhere repeats: value noise in octaves (K. Perlin, "An
/// image synthesizer", SIGGRAPH 1985, gives the sum of octaves) with discs, rings, bars, panels and
/// letters of all sizes painted into it. Nothing is finer than about two and a half pixels.
class TextureWorld : public CardWorld {
  public:
    /// `pixel_deg`: angle of a frame's pixel, which sets what is fine. `fine_contrast` times as
    /// much contrast in what is no larger than some 20 pixels makes larger files.
    TextureWorld(double pixel_deg, uint32_t seed, double fine_contrast = 1);
    void light(const double* longitude_deg, const double* latitude_deg, size_t count,
               float* rgb) const override;

  private:
    struct Layer {
        int64_t cells = 0;  ///< around the horizon
        double cell_px = 0;
        float height = 0;
        int64_t seed = 0;
    };
    void add_noise(const Layer& layer, const double* longitude_deg, const double* latitude_deg,
                   size_t count, float* to) const;
    void paint(const Layer& layer, const double* longitude_deg, const double* latitude_deg,
               size_t count, float* tone, float* red, float* blue) const;

    std::vector<Layer> coarse_, marks_, fine_, red_, blue_;
};

}  // namespace broadloom::test
