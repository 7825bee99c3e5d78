/// What the project's report pages share: head, style, figures, tables, pictures. A report is one
/// HTML file, complete in itself: it asks for nothing and runs no script (its own security policy
/// forbids both), opens from disk, and prints on white.
///
/// Arguments named `html` are markup already made safe; all others are text of unknown origin and
/// are made safe here.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace broadloom {

/// RFC 4648, section 4, with padding.
std::string base64(std::string_view bytes);

/// With so many decimals, independent of the locale; an en dash for infinities and NaN.
std::string decimal(double value, int digits);

/// "1 frame", "24 frames".
std::string counted(size_t number, std::string_view one, std::string_view many);

/// Everything up to and with the page's title: `kind` is what the page is ("Contact sheet"),
/// `title` the set's name ("Untitled set" when empty), `lead` a sentence below it (may be empty).
std::string report_start(std::string_view kind, std::string_view title, std::string_view lead);
std::string report_end();

enum class Verdict { good, look, bad };

/// The line that says how it stands; below it why, a sentence (may be empty), and what to look at:
/// pieces of markup, a list item each. Beyond ten, their number.
std::string report_verdict(Verdict verdict, std::string_view text, std::string_view why,
                           const std::vector<std::string>& reasons_html);

/// Name and value of each figure, in a row.
std::string report_figures(const std::vector<std::pair<std::string, std::string>>& figures);

/// A section with its heading; `id` makes it a place to link to.
std::string section_start(std::string_view id, std::string_view heading);
std::string section_end();

/// Folded away until asked for.
std::string folded(std::string_view summary, std::string_view html);

/// A list of sentences.
std::string report_notes(const std::vector<std::string>& notes);

/// A JPEG as a part of the page. Without bytes: an empty place of the same size.
std::string embedded_picture(std::string_view jpeg, int64_t width, int64_t height,
                             std::string_view alt);

/// A table that becomes a list of its rows in narrow windows.
class ReportTable {
  public:
    struct Column {
        std::string name;
        bool number = false;  ///< set flush right
    };
    ReportTable(std::string_view caption, std::vector<Column> columns);

    /// One cell a column, of markup; the first names the row. `id` may be empty.
    void add(std::string_view id, const std::vector<std::string>& cells_html);
    [[nodiscard]] size_t rows() const { return rows_; }
    [[nodiscard]] std::string html() const;

  private:
    std::string caption_;
    std::vector<Column> columns_;
    std::string body_;
    size_t rows_ = 0;
};

/// The style sheet of all reports (report_style.cpp).
std::string_view report_style();

}  // namespace broadloom
