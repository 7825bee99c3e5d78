/// Deep-zoom tiles: NAME_files/LEVEL/COLUMN_ROW.jpg and the descriptor NAME.dzi.
#pragma once

#include <cstdint>
#include <filesystem>
#include <span>
#include <string>

#include "broadloom/pyramid.hpp"

namespace broadloom {

/// The descriptor's XML text.
std::string deep_zoom_descriptor(const PyramidShape& shape);

/// Writes tiles below `folder` (which becomes NAME_files). Level folders are made as needed.
class DeepZoomWriter {
  public:
    DeepZoomWriter(std::filesystem::path folder, const PyramidShape& shape);

    /// Writes one tile file. Throws Error{machine} on I/O errors.
    void put(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg);

    /// Syncs all folders and files (one syncfs or a walk). Throws Error{machine}.
    void sync();

  private:
    std::filesystem::path folder_;
    PyramidShape shape_;
    std::string path_;  // reused
    int made_level_ = -1;
};

}  // namespace broadloom
