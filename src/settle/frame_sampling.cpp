#include "settle/frame_sampling.hpp"

#include <cmath>

namespace broadloom {

FrameSampler frame_sampler_of(const FramePixels& pixels, const FrameGeometry& geometry,
                              const ColourStage* stage) {
    FrameSampler s;
    s.stage = stage;
    s.planes = static_cast<int>(pixels.planes.size());
    s.ycc = pixels.colour == FrameColour::ycc;
    s.sixteen_bits = pixels.bits == 16;
    s.photometric = geometry.photometric();
    s.width = geometry.stored_width();
    s.height = geometry.stored_height();
    for (size_t c = 0; c < 3; ++c) {
        s.gain_g[c] = static_cast<float>(geometry.gain()[c]);
        s.gain_h[c] = static_cast<float>(std::pow(geometry.gain()[c], 1 / 2.4));
    }
    for (size_t i = 0; i < pixels.planes.size(); ++i) {
        const FramePlane& p = pixels.planes[i];
        s.plane[i] = {reinterpret_cast<const uint8_t*>(p.origin), p.stride,
                      pixels.denominator * p.subsample_x, pixels.denominator * p.subsample_y};
        if (i > 0) s.chroma_linear = p.subsample_x > 1 || p.subsample_y > 1;
    }
    return s;
}

}  // namespace broadloom
