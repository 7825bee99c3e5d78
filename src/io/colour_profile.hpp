/// What an embedded ICC profile says about a frame's colours, read by Little CMS. Relative
/// colorimetric throughout: the frame's white is the output's white; no black point is moved.
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "image/colour_space.hpp"
#include "image/colour_stage.hpp"

namespace broadloom {

struct FrameColourProfile {
    enum class Kind {
        srgb,    ///< sRGB within a quarter of an 8-bit level; the numbers below are unset
        matrix,  ///< curves and primaries, or a grey curve
        table    ///< a table of colours (A2B tags)
    };
    Kind kind = Kind::srgb;
    std::string name;  ///< as the profile says, control characters left out; UTF-8

    std::array<std::vector<float>, 3> decode;  ///< as ColourConversion::decode
    ColourMatrix to_xyz{};                     ///< linear R, G, B to X, Y, Z against D50
    int side = 0;
    std::vector<float> table;  ///< as ColourConversion::table

    /// Why it cannot be used, then the frame is to be read as sRGB; empty when it can.
    std::string problem;
};

/// Reads a profile's bytes, whatever they are. `grey`: the frame has one channel.
FrameColourProfile read_colour_profile(std::span<const uint8_t> icc, bool grey);

/// From the profile's colours to the working space's.
ColourConversion conversion_to(const FrameColourProfile& profile, ColourSpace working);

}  // namespace broadloom
