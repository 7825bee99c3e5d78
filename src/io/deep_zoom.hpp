/// Deep-zoom tiles: NAME_files/LEVEL/COLUMN_ROW.jpg and the descriptor NAME.dzi.
#pragma once

#include <cstdint>
#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "base/file_handle.hpp"
#include "broadloom/pyramid.hpp"

namespace broadloom {

/// The descriptor's XML text.
std::string deep_zoom_descriptor(const PyramidShape& shape);

/// Writes tiles below `folder` (which becomes NAME_files). Level folders are made as needed.
class DeepZoomWriter {
  public:
    /// Touches nothing yet; the folder above `folder` must exist by the first put().
    /// `replace`: tiles of an interrupted run may be there and are written anew.
    DeepZoomWriter(std::filesystem::path folder, const PyramidShape& shape, bool replace = false);

    /// Writes one tile file, which must not exist yet unless `replace` was given. On errors no
    /// half-written tile stays behind. Throws Error{machine} on I/O errors, Error{internal} for a
    /// tile outside the pyramid. Not to be called from two threads at a time.
    void put(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg);

    /// Syncs all folders and files (and whatever else that file system still holds back). Throws
    /// Error{machine}.
    void sync();

  private:
    int level_handle(int level);

    std::filesystem::path folder_;
    PyramidShape shape_;
    bool replace_;
    FileHandle folder_handle_;
    std::vector<FileHandle> levels_;  // open once a level has a tile
};

}  // namespace broadloom
