#include "io/seam_overlay.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "broadloom/error.hpp"
#include "io/web_text.hpp"

namespace broadloom {

namespace {

void require(bool good, const char* what) {
    if (!good) {
        throw Error(ErrorCode::internal, std::string("seams: ") + what + "; please report this");
    }
}

size_t count_of(int64_t columns, int64_t rows) {
    return static_cast<size_t>(columns) * static_cast<size_t>(rows);
}

void check(const SeamOverlay& o) {
    require(o.columns >= 1 && o.rows >= 1, "the grid of labels is empty");
    require(o.labels.size() == count_of(o.columns, o.rows), "labels are missing");
    require(o.cell_width > 0 && o.cell_height > 0, "a cell has no size");
    for (const int16_t label : o.labels) {
        require(label < 0 || static_cast<size_t>(label) < o.frames.size(),
                "a label names no frame");
    }
    for (const SeamFrame& f : o.frames) {
        const size_t coefficients = count_of(f.shift_columns, f.shift_rows);
        require(f.shift_x.size() == coefficients && f.shift_y.size() == coefficients,
                "a frame's shifts have no grid");
        const bool none = f.shift_columns == 0 && f.shift_rows == 0;
        require(none || (f.shift_columns >= 4 && f.shift_rows >= 4),
                "a frame's shifts have too small a grid");
    }
}

void append_base36(std::string& out, int64_t value) {
    constexpr const char* kDigits = "0123456789abcdefghijklmnopqrstuvwxyz";
    std::array<char, 16> digits{};
    size_t n = 0;
    do {
        digits[n++] = kDigits[value % 36];
        value /= 36;
    } while (value > 0);
    while (n > 0) out += digits[--n];
}

/// A grid of labels that this file owns, or looks at.
struct Grid {
    int64_t columns, rows;
    std::vector<int16_t> own;
    std::span<const int16_t> labels;
};

/// Runs as base-36 numbers, label + 1 and length: "1.a 2.4" is ten cells of frame 0 and four of
/// frame 1; rows end with ";", and a row equal to the one above is empty.
std::string runs_text(const Grid& grid, size_t most_bytes) {
    std::string text;
    const auto width = static_cast<size_t>(grid.columns);
    for (size_t y = 0; y < static_cast<size_t>(grid.rows); ++y) {
        const auto row = grid.labels.subspan(y * width, width);
        const bool again = y > 0 && std::equal(row.begin(), row.end(),
                                               row.begin() - static_cast<ptrdiff_t>(width));
        for (size_t x = 0; x < width && !again;) {
            size_t end = x + 1;
            while (end < width && std::max<int>(row[end], -1) == std::max<int>(row[x], -1)) ++end;
            if (x > 0) text += ' ';
            append_base36(text, std::max<int>(row[x], -1) + 1);
            text += '.';
            append_base36(text, static_cast<int64_t>(end - x));
            x = end;
        }
        text += ';';
        if (text.size() > most_bytes) break;  // too long already: the rest does not matter
    }
    return text;
}

/// Half as many cells each way: the label that most of the four have, the first of those on a tie.
Grid halved(const Grid& grid) {
    Grid half{(grid.columns + 1) / 2, (grid.rows + 1) / 2, {}, {}};
    half.own.reserve(count_of(half.columns, half.rows));
    const auto at = [&](int64_t x, int64_t y) {
        return grid.labels[static_cast<size_t>(std::min(y, grid.rows - 1) * grid.columns +
                                               std::min(x, grid.columns - 1))];
    };
    for (int64_t y = 0; y < half.rows; ++y) {
        for (int64_t x = 0; x < half.columns; ++x) {
            const std::array<int16_t, 4> four{at(2 * x, 2 * y), at(2 * x + 1, 2 * y),
                                              at(2 * x, 2 * y + 1), at(2 * x + 1, 2 * y + 1)};
            // max_element takes the first of equals.
            half.own.push_back(
                *std::max_element(four.begin(), four.end(), [&](int16_t a, int16_t b) {
                    return std::count(four.begin(), four.end(), a) <
                           std::count(four.begin(), four.end(), b);
                }));
        }
    }
    half.labels = half.own;
    return half;
}

template <typename Numbers>
std::string number_list(const Numbers& numbers) {
    std::string text = "[";
    for (const auto& value : numbers) {
        if (text.size() > 1) text += ',';
        text += json_number(value);
    }
    return text + ']';
}

std::string shift_list(const std::vector<float>& values) {
    // Hundredths of a pixel are more than the page shows.
    std::string text = "[";
    for (const float value : values) {
        if (text.size() > 1) text += ',';
        text += json_number(std::round(static_cast<double>(value) * 100) / 100);
    }
    return text + ']';
}

std::string frame_json(const SeamFrame& f) {
    std::string text = "{\"file\":" + json_string(f.file) + ",\"index\":" + std::to_string(f.index);
    if (f.row) text += ",\"row\":" + std::to_string(*f.row);
    if (f.column) text += ",\"column\":" + std::to_string(*f.column);
    text += ",\"width\":" + std::to_string(f.width) + ",\"height\":" + std::to_string(f.height) +
            ",\"focal\":" + json_number(f.focal_px) +
            ",\"centre\":" + number_list(f.principal_point_px);
    text += ",\"radial\":" + number_list(f.radial) + ",\"tangential\":" + number_list(f.tangential);
    // JSON has no infinity; the page takes an absent radius for it.
    if (!std::isinf(f.fold_radius)) text += ",\"fold\":" + json_number(f.fold_radius);
    text += ",\"rotation\":" + number_list(f.rotation);
    if (f.shift_columns > 0) {
        text += ",\"shift\":{\"columns\":" + std::to_string(f.shift_columns) +
                ",\"rows\":" + std::to_string(f.shift_rows) + ",\"x\":" + shift_list(f.shift_x) +
                ",\"y\":" + shift_list(f.shift_y) + '}';
    }
    return text + '}';
}

}  // namespace

std::string seam_script(const SeamOverlay& overlay, const SeamScriptLimits& limits) {
    check(overlay);
    Grid grid{overlay.columns, overlay.rows, {}, overlay.labels};
    int64_t thinned = 1;
    std::string runs;
    for (;;) {
        const bool fits = grid.columns * grid.rows <= limits.most_cells;
        if (fits) runs = runs_text(grid, limits.most_label_bytes);
        const bool smallest = grid.columns == 1 && grid.rows == 1;
        if (smallest || (fits && runs.size() <= limits.most_label_bytes)) break;
        grid = halved(grid);
        thinned *= 2;
    }
    const auto step = static_cast<double>(thinned);
    std::string text =
        "/* Which frame each place of the picture beside this file is from, for its page. */\n"
        "broadloom_seams({\"version\":1,\"columns\":" +
        std::to_string(grid.columns) + ",\"rows\":" + std::to_string(grid.rows) +
        ",\"left\":" + json_number(overlay.left) + ",\"top\":" + json_number(overlay.top) +
        ",\"cell_width\":" + json_number(overlay.cell_width * step) +
        ",\"cell_height\":" + json_number(overlay.cell_height * step) +
        ",\"wraps\":" + (overlay.wraps ? "true" : "false") +
        // 1: as found; n: only every n-th label each way, to keep the file small.
        ",\"thinned\":" + std::to_string(thinned) + ",\n\"frames\":[";
    for (size_t i = 0; i < overlay.frames.size(); ++i) {
        text += (i > 0 ? ",\n" : "\n") + frame_json(overlay.frames[i]);
    }
    return text + "],\n\"runs\":\"" + runs + "\"});\n";
}

}  // namespace broadloom
