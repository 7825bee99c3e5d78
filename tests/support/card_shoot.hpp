/// A folder of photographs as it comes off the card of a camera on a motorised head, and the exact
/// truth about it: made-up shoots for gathering and aligning.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/gather.hpp"
#include "broadloom/scene.hpp"
#include "support/card_world.hpp"

namespace broadloom::test {

/// After the frame at `place` (of the cells' order, from 0), which something passing has spoilt,
/// the head is stepped back by `back` frames and goes on: `back` cells are taken again, the spoilt
/// one the last of them.
struct CardRetake {
    size_t place = 0, back = 1;
};

struct CardOptions {
    int64_t rows = 3, columns = 4;
    ShootOrder order;
    int64_t width = 600, height = 400;  ///< of a frame
    double field_of_view_deg = 12;      ///< across a frame, without its distortion
    double overlap = 0.35;              ///< of neighbours, share of a frame
    double middle_pitch_deg = 0;
    bool all_round = false;       ///< the columns share 360 degrees evenly, whatever `overlap`
    double aim_error_deg = 0.1;   ///< yaw and pitch off by up to this
    double roll_error_deg = 0.1;  ///< roll off by up to this
    double backlash_deg = 0;      ///< back and forth: every other leg is off by this along its way
    std::array<double, 3> radial{0, 0, 0};
    std::array<double, 3> vignetting{0, 0, 0};
    std::optional<Vec2> principal_point_px;  ///< absent: the middle
    double focal_misstatement = 0;  ///< share by which the camera overstates its focal length
    double gain_spread_stops = 0;   ///< any two frames differ by at most this, drift apart
    double gain_drift_stops = 0;    ///< by which the light changes from first to last frame
    double noise_levels = 1;        ///< standard deviation of what is recorded
    double textureless_share = 0;   ///< of cells that show nothing but a smooth gradient
    int64_t passers_by = 0;         ///< things in a frame that are in no other: they moved
    std::vector<CardRetake> retakes;
    bool shuffled_names = false;  ///< names say nothing about the order; times do
    int quality = 92;
    uint32_t seed = 1;
};

struct CardFrame {
    std::string file;  ///< as in the scene
    int64_t row = 0, column = 0;
    bool retaken = false;      ///< an earlier take: left out in the truth
    bool spoilt = false;       ///< something dark hides its middle
    bool textureless = false;  ///< nothing but gradient in it
    int64_t seconds = 0;       ///< since the first frame
};

struct Card {
    CardOptions options;
    Scene truth;                    ///< frames in the order in which they were taken; folder empty
    std::vector<CardFrame> frames;  ///< as in the truth
    std::vector<std::array<int64_t, 2>> smooth_cells;  ///< row, column: without texture
};

/// Settles everything but pixels. Throws std::runtime_error for retakes that reach before the first
/// cell or beyond the last.
Card plan_card(const CardOptions& options);

/// Photographs the world into `folder`/card/*.jpg, with camera data, and sets the truth's folder.
/// Directions are exact to 0.01 px within latitudes of 60 degrees. The bytes do not depend on the
/// number of processors.
void shoot_card(Card& card, const CardWorld& world, const std::filesystem::path& folder);

/// Angle of a frame's pixel in its middle.
double card_pixel_deg(const CardOptions& options);

/// Pixels a degree at which the picture just holds all frames of the card, its middle at longitude
/// and latitude 0; divide by the frames' own, 1 / card_pixel_deg(), to see how sharp that is.
double picture_scale(const Card& card, const Picture& picture);

/// Row and column of each cell in the order of a shoot.
std::vector<std::array<int64_t, 2>> cells_in_order(int64_t rows, int64_t columns,
                                                   const ShootOrder& order);

/// How much of the gradient alone is seen in a direction: 1 within the smooth cells' frames and
/// what their aim may be off by, 0 well outside.
double smoothness(const Card& card, Vec3 direction);

}  // namespace broadloom::test
