/// The page's template, embedded in the program at build time: page.html with its style, its script
/// and openseadragon (with its licence) set in. Places left to fill read @@name@@.
#pragma once

#include <string_view>

namespace broadloom {

/// UTF-8 text, valid for the life of the program. Its places are title, data and fallback, each
/// exactly once, to be filled with text that is already escaped for where it stands.
std::string_view page_template();

}  // namespace broadloom
