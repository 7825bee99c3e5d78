/// Whether two pictures are the same but for what JPEG does to them.
#pragma once

#include "io/jpeg_codec.hpp"
#include "pyramid/regrid.hpp"

namespace broadloom {

/// How far two pictures of one size (4 bytes a pixel) are apart, in levels.
struct Apart {
    double mean = 0;      ///< mean absolute difference of the pixels' luma: chroma may be halved
    double block = 0;     ///< largest difference of the means of an 8 x 8 block in one channel
    double blocks = 0;    ///< the mean of what block is the largest of
    int64_t counted = 0;  ///< those blocks
};
Apart how_far_apart(const PictureView& a, const PictureView& b);

/// Whether the two compressions explain how far their pictures are apart. With few blocks their
/// mean may be larger: they have bright colours finer than halved chroma, or none.
bool agree(const Apart& apart, const JpegSteps& a, const JpegSteps& b);

}  // namespace broadloom
