/// Lettering for signs: an own stroke font of capitals, digits and a few signs.
#pragma once

#include <string_view>

namespace broadloom::test {

/// Width of a line of text in units of the capitals' height.
double text_width(std::string_view text);

/// Whether the point lies on a stroke. x from the text's left edge, y up from the base line, both
/// in units of the capitals' height; weight is the stroke's width in the same unit.
bool text_covers(std::string_view text, double x, double y, double weight);

}  // namespace broadloom::test
