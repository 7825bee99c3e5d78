/// From the files off the card to a scene: what was photographed, whether the camera stayed
/// locked, which frames are retakes, and which row and column each frame belongs to.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "broadloom/scene.hpp"
#include "broadloom/work.hpp"

namespace broadloom {

/// The order in which the cells of a grid were photographed.
struct ShootOrder {
    bool by_column = true;        ///< false: row by row
    bool down = true;             ///< rows from the top; false: from the bottom
    bool right = true;            ///< columns from the left; false: from the right
    bool back_and_forth = false;  ///< every other column (row) the other way
};

/// "columns, down, right, one-way" and its kin.
std::string shoot_order_text(const ShootOrder& order);

/// The reverse: any of the words columns or rows, down or up, right or left, one-way or
/// back-and-forth, separated by commas or spaces; what is not named stays as in ShootOrder{}.
/// nullopt for other words and contradictions.
std::optional<ShootOrder> parse_shoot_order(std::string_view text);

enum class Prefer { raw, jpeg };
enum class Layout { grid, loose };  ///< loose: hand-held, no rows and columns

struct GatherOptions {
    std::vector<std::filesystem::path> inputs;  ///< folders (not searched below) and files
    std::filesystem::path out;                  ///< the scene file
    std::string title;                          ///< of the scene; empty: the folder's name
    std::optional<int64_t> rows, columns;
    std::optional<ShootOrder> order;
    Layout layout = Layout::grid;
    bool allow_gaps = false;
    bool strict = false;  ///< lock findings end with Error{input}, after everything is written
    Prefer prefer = Prefer::raw;
    std::optional<int> orientation;                  ///< EXIF 1..8 for every frame
    std::optional<double> focal_35mm;                ///< 35-mm equivalent, mm, by diagonal
    std::optional<std::array<double, 2>> sensor_mm;  ///< long side first
    std::optional<int64_t> memory_bytes;             ///< absent: half of the machine's memory
    int threads = 0;                                 ///< 0: all processors
};

/// One thing that differs from what a locked camera would give, or looks wrong.
struct Finding {
    std::string frame;  ///< name as on the contact sheet; empty: the set as a whole
    std::string what;   ///< "exposure time", "white balance", "sharpness" ...
    std::string value, usual;
    std::string effect;  ///< what it does to the picture, a sentence
};

struct GatherReport {
    std::filesystem::path scene_file, contact_sheet;
    int64_t files = 0, frames_used = 0, frames_left_out = 0;
    std::optional<int64_t> rows, columns;  ///< of a grid; columns of the longest row
    std::string order;                     ///< in words; empty: loose
    double field_of_view_deg = 0;          ///< across the frame
    std::string field_of_view_source;
    std::vector<Finding> findings;
    std::vector<std::string> gaps;  ///< cells without a frame, in words
};

/// Gathers. Never changes or deletes an original. Writes the scene and contact.html beside it, and
/// developed raws below a folder beside the scene. Throws Error; a grid with holes throws
/// Error{input} unless allow_gaps (the contact sheet is written first, so that one can see).
GatherReport gather(const GatherOptions& options, const WorkHooks& hooks = {});

}  // namespace broadloom
