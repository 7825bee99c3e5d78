/// Camera settings as photographers write them.
#pragma once

#include <string>

namespace broadloom {

/// Digits after the point at most `digits`, without trailing zeros: 2.50 is "2.5".
std::string short_number(double value, int digits);

std::string exposure_text(double seconds);   ///< "1/320 s", "0.4 s", "2.5 s"
std::string aperture_text(double f_number);  ///< "f/8", "f/5.6"
std::string iso_text(double iso);            ///< "ISO 100"
std::string focal_text(double mm);           ///< "50 mm", "24.5 mm"
std::string distance_text(double metres);    ///< "12 m", "1.25 m"

/// A difference of exposure without its sign, to the third of a stop: "1/3 stop", "1 stop",
/// "2 2/3 stops"; "less than 1/3 stop" below a sixth.
std::string stops_text(double stops);

/// "0", "+0.7", "-2".
std::string ev_text(double ev);

}  // namespace broadloom
