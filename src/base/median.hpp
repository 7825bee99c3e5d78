/// The middle of many numbers.
#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

namespace broadloom {

/// The value in the middle when sorted, of an even number the upper of the two; `if_empty` of none.
inline double upper_median(std::vector<double> values, double if_empty = 0) {
    if (values.empty()) return if_empty;
    const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    return *middle;
}

}  // namespace broadloom
