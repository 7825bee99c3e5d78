/// How cameras number their files: natural order, numbering that wraps, folders of a card.
/// DCF (CIPA DC-009, Design rule for Camera File system) names folders with a number of 100 to 999
/// and five more characters, and files with four characters and a number of 0001 to 9999.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "gather/photo.hpp"

namespace broadloom {

/// A folder's name as cameras give it: 100 to 999 and some characters, like "100ABCDE".
bool is_card_folder(std::string_view name);

struct NameRanks {
    std::vector<size_t> rank;  ///< place of each photo in the order of names
    /// Photos whose names one camera counted up, as a number for each photo: only within a series
    /// does the order of names say anything about time.
    std::vector<size_t> series;
    std::vector<std::string> wraps;  ///< "ABC_9999.JPG, ABC_0001.JPG" where a run goes on
};

/// Folders first, then names, both in natural order. Within a folder a run whose numbering goes
/// over its end (9999, then 0001) is one run.
NameRanks name_ranks(const std::vector<Photo>& photos);

/// The first few names, printable, in the order given: "a, b, c and 5 more".
std::string name_list(const std::vector<Photo>& photos, const std::vector<size_t>& which);

}  // namespace broadloom
