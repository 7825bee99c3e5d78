/// The page that shows a finished picture: one HTML file, complete in itself, that stands beside
/// the folder of deep-zoom tiles and opens from disk.
#pragma once

#include <cstdint>
#include <string>

namespace broadloom {

/// What the page says and where its tiles are. Texts may hold anything, invalid UTF-8 too.
struct PageData {
    std::string title, credit, rights;      ///< plain text; empty: not given
    std::string description, taken, place;  ///< what, when and where; as the others
    int64_t width = 0, height = 0;          ///< of the canvas, pixels, >= 1
    int64_t tile = 512, overlap = 0;        ///< as in PyramidShape
    std::string surface = "sphere";         ///< sphere or cylinder
    double left_deg = 0, right_deg = 0;     ///< longitude of the canvas's edges
    double top_deg = 0, bottom_deg = 0;     ///< latitude of the canvas's edges
    double pixels_per_degree = 0;           ///< of these pixels, > 0
    bool wraps = false;                     ///< the left and right edges are neighbours
    std::string tiles_folder =
        "pano_files";           ///< relative to the page; LEVEL/COLUMN_ROW.jpg below it
    std::string pass = "full";  ///< full or draft
    bool seams = false;         ///< seams.js (io/seam_overlay.hpp) stands beside the page
};

/// The page as UTF-8 text. A draft is named so on the page. Throws Error{internal} when a number is
/// outside the ranges above or not finite, or a word is none of those named.
std::string make_page(const PageData& data);

}  // namespace broadloom
