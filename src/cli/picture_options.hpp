/// The options that say what the picture is to be; two commands have them.
#pragma once

#include <CLI/CLI.hpp>
#include <string>

#include "broadloom/render.hpp"

namespace broadloom::cli {

struct PictureArguments {
    std::string seams = "fine", light = "even", uncovered = "background", colour = "srgb";
    std::string crop, background, chroma = "420";
    int tiff_bits = 0;
    RenderOptions options;
    CLI::Option* bits_option = nullptr;
};

void add_picture_options(CLI::App& sub, PictureArguments& arguments);

/// The options as given; folder, pass, memory and threads are the command's own. Throws
/// Error{usage}.
RenderOptions finish_picture_options(const PictureArguments& arguments);

}  // namespace broadloom::cli
