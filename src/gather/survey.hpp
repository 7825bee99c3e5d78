/// The set seen small: features, links between frames that overlap, sharpness and brightness,
/// thumbnails. What arranging and the contact sheet are made from.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "broadloom/gather.hpp"
#include "gather/arrangement.hpp"
#include "gather/photo.hpp"
#include "match/pairs.hpp"

namespace broadloom {

struct SurveyFrame {
    FeatureSet features;
    /// Around each feature: energy of the finest detail, and mean linear light.
    std::vector<float> detail, light;
    double sharpness = 0;   ///< mean of the whole frame; compares takes of one cell
    std::string thumbnail;  ///< JPEG
    int64_t thumbnail_width = 0, thumbnail_height = 0;
};

struct Survey {
    std::vector<SurveyFrame> frames;
    std::vector<PairLink> links;  ///< accepted, best registration of each pair
};

/// Reads all frames small and links those that overlap. `camera_of` is each photo's camera.
/// Workers are limited so that memory stays within `memory_bytes`; throws Error{usage} with the
/// least that would do when not even one fits.
Survey survey(const std::vector<Photo>& photos, const std::vector<const Camera*>& camera_of,
              int threads, int64_t memory_bytes, const WorkHooks& hooks);

/// The links as displacements for arrange().
std::vector<Displacement> displacements(const Survey& survey);

/// Frames that look blurred or wrongly exposed against their neighbours in the overlaps.
/// `considered` says which frames count (those in use).
std::vector<Finding> odd_frames(const Survey& survey, const std::vector<Photo>& photos,
                                const std::vector<bool>& considered);

}  // namespace broadloom
