/// An XMP packet (ISO 16684-1): what a picture says about itself, as RDF/XML that the TIFF carries
/// in its tag 700. The web tiles carry none: each is a piece of the picture, and there are many.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace broadloom {

/// The part of a whole sphere that an equirectangular picture shows. Pixels.
struct SpherePart {
    int64_t full_width = 0, full_height = 0;  ///< of the whole sphere
    int64_t left = 0, top = 0;                ///< where the picture lies on it
    int64_t width = 0, height = 0;            ///< of the picture
};

/// Texts may hold anything; empty: not given.
struct XmpFields {
    std::string title;
    std::vector<std::string> creators;
    std::string rights, description;
    std::string tool;   ///< what made the file
    std::string taken;  ///< when the first photograph was taken, "2031-05-14T10:20:30"
    std::optional<double> latitude_deg, longitude_deg, altitude_m;
    std::optional<SpherePart> sphere;  ///< only for equirectangular pictures
};

/// The packet as UTF-8, with its wrapper; the same fields give the same bytes. Throws
/// Error{internal} for a position that is not finite or out of range.
std::string xmp_packet(const XmpFields& fields);

/// Text for XML 1.0, in an element or a quoted attribute: markup as references, what XML may not
/// hold (control characters, U+FFFE, U+FFFF, invalid UTF-8) as spaces or U+FFFD.
std::string xml_text(std::string_view text);

}  // namespace broadloom
