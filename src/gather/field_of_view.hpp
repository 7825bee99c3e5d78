/// How wide the lens sees: the focal length in pixels, and who says so.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/gather.hpp"
#include "gather/photo.hpp"

namespace broadloom {

struct FieldOfView {
    double focal_px = 0;  ///< of the upright frame
    double sigma = 0.05;  ///< share by which it may be off
    std::string source;   ///< in words: "35-mm equivalent in the frames (by diagonal)" ...
};

/// From the options, else the 35-mm equivalent (CIPA DCG-001: diagonals, 43.267 mm), else focal
/// length with focal-plane resolution, else focal length with the sensor size of the camera's
/// model. Tags of resized frames describe the unresized picture (PixelXDimension): the field of
/// view is kept. nullopt when nothing says it.
std::optional<FieldOfView> field_of_view(const Photo& photo, const GatherOptions& options);

/// Photos by camera: same make, model, upright size and focal length. The key of each photo's
/// camera ("main" for the most frequent, then "second", "third", ...), by photo, and the cameras.
/// Throws Error{input} that names a frame and --focal-35mm when no source gives a field of view.
struct CameraGroups {
    std::vector<std::string> key_of_photo;
    std::map<std::string, Camera> cameras;
    std::map<std::string, FieldOfView> views;
};
CameraGroups group_cameras(const std::vector<Photo>& photos, const GatherOptions& options);

/// How many times smaller than 36 x 24 mm a camera's sensor is, by diagonals, from the tables of
/// the lens database in `folder` (XML; maker and model as the camera writes them, in any case);
/// nullopt when the camera or the tables are not there.
std::optional<double> crop_factor_of(const std::string& make, const std::string& model,
                                     const std::filesystem::path& folder);
/// The same from where the database is installed.
std::optional<double> crop_factor_of(const std::string& make, const std::string& model);

}  // namespace broadloom
