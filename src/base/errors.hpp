/// Many problems told as one.
#pragma once

#include <string>
#include <vector>

#include "broadloom/error.hpp"

namespace broadloom {

/// Throws when there is an error: the first one's code and message with the count of the others
/// ("and 3 more bad frames, listed above"), all of them as details. `things` is their plural.
void throw_together(const std::vector<Error>& errors, const std::string& things);

}  // namespace broadloom
