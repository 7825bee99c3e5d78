/// Capture order, and the files that are one exposure.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "broadloom/gather.hpp"
#include "gather/photo.hpp"

namespace broadloom {

/// The given folders' files (not searched below; hidden files and files that are no pictures are
/// passed over, told in `notes`) and the given files, each once. Throws Error{input} when a path is
/// missing, a given file is no picture, or nothing is left.
std::vector<std::filesystem::path> list_pictures(const std::vector<std::filesystem::path>& inputs,
                                                 std::vector<std::string>& notes);

/// Raw and JPEG (TIFF, PNG) of one exposure - same stem, and capture times that agree where both
/// have one - become one photo; `prefer` says which file is used.
void merge_twins(std::vector<Photo>& photos, Prefer prefer, std::vector<std::string>& notes);

/// By capture time with sub-seconds, then by name in natural order with numbering that wraps
/// (9999 -> 0001); by name alone when times are missing or all the same. Says when time and name
/// disagree and which frames have no time.
void order_by_capture(std::vector<Photo>& photos, std::vector<std::string>& notes);

/// Natural order of names: digit groups by value.
bool natural_less(const std::string& a, const std::string& b);

/// Sets that were bracketed: a pattern of 2 to 9 exposures that repeats, told from exposure tags
/// and bracket flags. Empty when there is none; otherwise a sentence that says what was found and
/// what to do.
std::string bracketing_problem(const std::vector<Photo>& photos);

}  // namespace broadloom
