/// The words of the scene file, shared by reader and writer, and its limits.
#pragma once

#include <array>
#include <cstddef>
#include <string_view>

namespace broadloom::scene_file {

inline constexpr std::string_view kFormat = "broadloom-scene";
inline constexpr int kVersion = 1;

inline constexpr std::array<std::string_view, 9> kSceneKeys{
    "format", "version", "title", "credit", "rights", "extra", "cameras", "canvas", "frames"};
inline constexpr std::array<std::string_view, 7> kCameraKeys{
    "width", "height", "focal_px", "principal_point_px", "radial", "tangential", "vignetting"};
inline constexpr std::array<std::string_view, 6> kCanvasKeys{
    "surface", "left_deg", "right_deg", "top_deg", "bottom_deg", "pixels_per_degree"};
inline constexpr std::array<std::string_view, 13> kFrameKeys{
    "file",     "row",  "column", "camera", "orientation", "yaw_deg", "pitch_deg",
    "roll_deg", "gain", "use",    "reason", "placed_by",   "masks"};

inline constexpr std::array<std::string_view, 2> kMaskKeys{"kind", "outline_px"};

inline constexpr std::string_view kUseYes = "yes", kUseLeftOut = "left out";
inline constexpr std::array<std::string_view, 2> kUses{kUseYes, kUseLeftOut};
inline constexpr std::array<std::string_view, 3> kPlacedBy{"matches", "head", "hand"};
inline constexpr std::array<std::string_view, 2> kSurfaces{"sphere", "cylinder"};
/// In the order of FrameMask::Kind.
inline constexpr std::array<std::string_view, 2> kMaskKinds{"leave out", "keep"};

inline constexpr size_t kMostBytes = size_t{64} << 20U;
inline constexpr size_t kMostFrames = 100'000;
/// Of all outlines of a frame; drawing by hand gives some hundred.
inline constexpr size_t kMostMaskPoints = 20'000;

}  // namespace broadloom::scene_file
