/// Photographs from a locked camera, for tests of what differs.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "gather/photo.hpp"

namespace broadloom::test {

inline std::vector<Photo> locked(size_t count) {
    std::vector<Photo> photos(count);
    for (size_t i = 0; i < count; ++i) {
        Photo& p = photos[i];
        p.name = "A_" + std::to_string(i) + ".jpg";
        p.info.stored_width = 6000;
        p.info.stored_height = 4000;
        p.tags.make = "Harrow";
        p.tags.model = "H-24";
        p.tags.lens = "50 mm f/1.8";
        p.tags.exposure_s = 1.0 / 320;
        p.tags.f_number = 8;
        p.tags.iso = 100;
        p.tags.focal_mm = 50;
        p.tags.focus_distance_m = 12;
        p.tags.manual_focus = true;
        p.tags.auto_white_balance = false;
        p.tags.auto_exposure = false;
        p.tags.flash_fired = false;
    }
    return photos;
}

}  // namespace broadloom::test
