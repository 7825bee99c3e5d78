/// What the camera wrote about one photograph (Exif 2.3 / CIPA DC-008). Values that are absent,
/// zero, not finite or nonsense are absent here; nothing a file holds makes reading fail.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>

namespace broadloom {

/// Where a photograph was taken (WGS 84 unless the camera says otherwise, which is not looked at).
struct GeoPosition {
    double latitude_deg = 0, longitude_deg = 0;  ///< north and east positive
    std::optional<double> altitude_m;            ///< above the sea
};

struct PhotoTags {
    std::string make, model, lens, serial;
    /// As the camera or the photographer wrote them, 2000 bytes at most; may hold anything.
    std::string artist, copyright, description;  ///< copyright: the photographer's part
    std::optional<double> exposure_s, f_number, iso;
    std::optional<double> focal_mm;    ///< the real focal length
    std::optional<double> focal_35mm;  ///< equivalent by diagonal (CIPA DCG-001)
    std::optional<double> exposure_bias_ev;
    std::optional<double> focus_distance_m;
    std::optional<bool> manual_focus;  ///< from the maker's note where it can be read
    std::optional<bool> auto_white_balance, auto_exposure, auto_bracket, flash_fired;
    std::optional<int> orientation;                                    ///< 1..8
    std::optional<double> focal_plane_x_per_mm, focal_plane_y_per_mm;  ///< pixels a mm
    std::optional<int64_t> exif_width, exif_height;                    ///< PixelX/YDimension
    /// Seconds since 1970 as if the camera's clock were UTC, with the sub-second part.
    std::optional<double> time_s;
    std::string time_text;    ///< as written, like "2031:05:14 10:20:30.25"
    bool time_taken = false;  ///< it is when the picture was taken, not when the file was written
    std::optional<GeoPosition> position;
    bool adobe_rgb =
        false;  ///< DCF option file: colour space "uncalibrated" and interoperability R03
};

/// Reads the tags of a JPEG, PNG or TIFF file (raw files: raw_file.hpp). Throws Error{machine} for
/// I/O errors only.
PhotoTags read_photo_tags(const std::filesystem::path& path, const std::string& name);

/// "2031:05:14 10:20:30" and sub-second digits ("25" = 0.25 s) to seconds since 1970; nullopt for
/// nonsense (month 13, zeros, text).
std::optional<double> capture_seconds(const std::string& date_time, const std::string& subsec);

}  // namespace broadloom
