/// One exposure of the set, as found on the card.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "io/frame_reader.hpp"
#include "io/photo_tags.hpp"
#include "io/raw_file.hpp"

namespace broadloom {

struct Photo {
    std::filesystem::path path;  ///< the original
    std::string
        name;  ///< for messages and for ordering: as given by the user, escaped when printed
    PhotoTags tags;
    bool raw = false;
    RawInfo raw_info;                  ///< of a raw file
    std::filesystem::path frame_path;  ///< what is rendered: the original, or the developed raw
    FrameInfo info;                    ///< of frame_path
    std::optional<std::filesystem::path> twin;  ///< the other file of the same exposure
    int orientation = 1;                        ///< used; may differ from the file's
};

}  // namespace broadloom
