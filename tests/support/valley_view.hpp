/// Small pictures of an invented valley town, as a camera there would see it.
#pragma once

#include <cstdint>
#include <string>

namespace broadloom::testing {

struct View {
    double yaw = 0, pitch = 0, width = 18, height = 12;  ///< degrees
    double gain = 1, blur = 0;                           ///< blur: degrees
    bool lorry = false;                                  ///< drives past
};

/// A JPEG of so many pixels.
std::string picture(const View& view, int64_t width, int64_t height, int quality = 80);

}  // namespace broadloom::testing
