/// The colour conversions of a set of frames: one for each distinct profile.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "image/colour_space.hpp"
#include "image/colour_stage.hpp"
#include "io/colour_profile.hpp"
#include "io/frame_reader.hpp"

namespace broadloom {

class FrameColours {
  public:
    explicit FrameColours(ColourSpace working) : working_(working) {}

    /// The way from the frame's colours to the working space's; null where they are the same.
    /// Frames with one profile share the stage, and from now on the profile's bytes.
    std::shared_ptr<const ColourStage> add(FrameInfo& info);

    /// What is worth telling about the profiles of the frames added, sorted.
    [[nodiscard]] std::vector<std::string> notes() const;

  private:
    struct Entry {
        std::shared_ptr<const std::vector<uint8_t>> icc;  ///< null: none
        bool grey = false;
        FrameColourProfile profile;  ///< without its numbers
        std::shared_ptr<const ColourStage> stage;
        int64_t frames = 0;
    };
    ColourSpace working_;
    std::vector<Entry> entries_;
};

}  // namespace broadloom
