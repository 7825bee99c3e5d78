/// contact.html: thumbnails in their grid, what is left out and why, findings, gaps.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "broadloom/gather.hpp"

namespace broadloom {

struct ContactFrame {
    std::string name;               ///< file name, any bytes
    std::string time_text;          ///< may be empty
    std::string jpeg;               ///< thumbnail, JPEG bytes
    int64_t width = 0, height = 0;  ///< of the thumbnail
    std::optional<int64_t> row, column;
    bool left_out = false, by_sequence = false;
    std::string reason;
    std::vector<size_t> findings;  ///< indices into ContactSheet::findings
};

struct ContactSheet {
    std::string title;    ///< the set's name
    std::string summary;  ///< "24 frames in 4 rows x 6 columns ..." one sentence
    std::string order, field_of_view;
    std::string problem;            ///< why no scene could be made; empty when all is well
    int64_t rows = 0, columns = 0;  ///< 0: loose
    std::vector<ContactFrame> frames;
    std::vector<Finding> findings;
    std::vector<std::pair<int64_t, int64_t>> empty_cells;
    std::vector<std::string> notes;
};

/// The page as UTF-8 text, complete in itself. Its verdict: it cannot be laid out (a problem), so
/// many things to look at (findings by kind, holes, frames without a cell), or good. A frame whose
/// cell lies outside of rows x columns counts as one without a cell. Where rows hold different
/// numbers of columns and there is no problem, each row is spread over the whole width.
std::string make_contact_sheet(const ContactSheet& sheet);

}  // namespace broadloom
