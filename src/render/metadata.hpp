/// What the picture says about itself: who took it, whose it is, when, what it shows and, only when
/// asked, where. From the scene and from what the cameras wrote into the frames.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/scene.hpp"
#include "io/photo_tags.hpp"

namespace broadloom {

/// Texts are valid UTF-8 without control characters; empty: not known.
struct PictureMetadata {
    std::string title;
    std::vector<std::string> creators;
    std::string rights;
    std::string description;              ///< what the frames say they show
    std::string first_taken, last_taken;  ///< by the camera's clock, "2031-05-14 10:20:30"
    std::optional<GeoPosition> position;

    /// All creators in one line, as Exif's Artist wants them.
    [[nodiscard]] std::string creator_line() const;
    /// Like "2031-05-14 10:20:30 to 10:41:02"; empty when not known.
    [[nodiscard]] std::string taken_range() const;
    /// The description, and when the picture was photographed.
    [[nodiscard]] std::string full_description() const;
    /// The first time as TIFF's DateTime, "2031:05:14 10:20:30".
    [[nodiscard]] std::string tiff_date_time() const;
    /// Like "46.50207° N, 7.68123° E, 1250 m"; empty when not known.
    [[nodiscard]] std::string place() const;
};

/// `tags` are those of the used frames. The scene's credit and rights stand before the frames' own;
/// frames that differ are joined with "; ". Nothing of the position is taken over unless `location`
/// is set. Decisions that a user should know of add a line to `notes`.
PictureMetadata collect_metadata(const Scene& scene, const std::vector<PhotoTags>& tags,
                                 bool location, std::vector<std::string>& notes);

/// The XMP packet for a picture on this canvas. Only a sphere's (equirectangular) has the
/// properties of photo spheres.
std::string picture_xmp(const PictureMetadata& metadata, const Canvas& canvas);

}  // namespace broadloom
