/// A small shoot of made-up ripples, and what a render of it leaves.
#pragma once

#include <cmath>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <map>
#include <string>

#include "broadloom/render.hpp"
#include "support/shoot.hpp"

namespace broadloom::test {

/// `width` x `height`: of the world that is photographed, at most 1800 x 1100.
inline Scene ripple_scene(const std::filesystem::path& folder, int64_t width, int64_t height) {
    Picture picture;
    picture.width = width;
    picture.height = height;
    picture.rgb.resize(static_cast<size_t>(3 * width * height));
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            for (int c = 0; c < 3; ++c) {
                picture.rgb[static_cast<size_t>(3 * (y * width + x) + c)] = static_cast<uint8_t>(
                    128 + 60 * std::sin(0.05 * static_cast<double>(x * (c + 1))) +
                    50 * std::cos(0.07 * static_cast<double>(y) + c));
            }
        }
    }
    Canvas canvas;
    canvas.pixels_per_degree = 40;
    canvas.left_deg = -static_cast<double>(width) / 80;
    canvas.right_deg = static_cast<double>(width) / 80;
    canvas.top_deg = static_cast<double>(height) / 80;
    canvas.bottom_deg = -static_cast<double>(height) / 80;
    canvas.width = width;
    canvas.height = height;
    ShootOptions o;
    o.columns = 2;
    o.rows = 2;
    o.width = width * 2 / 3;
    o.height = height * 2 / 3;
    o.gain_spread = 0.2;
    return shoot(picture, canvas, o, folder);
}

/// Every file below a folder with its bytes, by relative name.
inline std::map<std::string, std::string> all_files(const std::filesystem::path& folder) {
    std::map<std::string, std::string> found;
    for (const auto& entry : std::filesystem::recursive_directory_iterator(folder)) {
        if (!entry.is_regular_file() || entry.is_symlink()) continue;
        std::ifstream in(entry.path(), std::ios::binary);
        found[entry.path().lexically_relative(folder).string()] = {
            std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
    }
    return found;
}

inline void write_bytes(const std::filesystem::path& path, const std::string& bytes) {
    std::ofstream(path, std::ios::binary | std::ios::trunc) << bytes;
}

/// Turns one bit of a file over.
inline void flip_bit(const std::filesystem::path& path, uint64_t byte, int bit) {
    std::fstream file(path, std::ios::in | std::ios::out | std::ios::binary);
    file.seekg(static_cast<std::streamoff>(byte));
    const int value = file.get() ^ (1 << bit);
    file.seekp(static_cast<std::streamoff>(byte));
    file.put(static_cast<char>(value));
}

}  // namespace broadloom::test
