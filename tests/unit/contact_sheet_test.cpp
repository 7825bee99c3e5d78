#include "gather/contact_sheet.hpp"

#include <catch2/catch.hpp>
#include <string>

#include "base/text.hpp"
#include "io/report_page.hpp"
#include "support/page_text.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

/// rows x columns, photographed column by column.
ContactSheet grid(int64_t rows, int64_t columns) {
    ContactSheet sheet;
    sheet.title = "Weir";
    sheet.rows = rows;
    sheet.columns = columns;
    for (int64_t c = 0; c < columns; ++c) {
        for (int64_t r = 0; r < rows; ++r) {
            ContactFrame f;
            f.name = "r" + std::to_string(r) + "c" + std::to_string(c) + ".jpg";
            f.jpeg = "picture of " + f.name;
            f.width = 90;
            f.height = 60;
            f.row = r;
            f.column = c;
            sheet.frames.push_back(f);
        }
    }
    return sheet;
}

void find(ContactSheet& sheet, size_t frame, const std::string& what, const std::string& value,
          const std::string& effect = "darker") {
    sheet.frames[frame].findings.push_back(sheet.findings.size());
    sheet.findings.push_back({sheet.frames[frame].name, what, value, "1/250 s", effect});
}

std::string cell(const std::string& page, int64_t row, int64_t column) {
    return between(
        page, "data-cell=\"" + std::to_string(row) + "," + std::to_string(column) + "\">", "</td>");
}

std::string verdict(const std::string& page) {
    return between(page, "<div class=\"verdict ", "</div>\n</div>");
}

}  // namespace

TEST_CASE("A clean set is good, and all counts say so", "[contact]") {
    const std::string page = make_contact_sheet(grid(4, 6));
    CHECK(verdict(page).starts_with("good"));
    CHECK(holds(verdict(page), "<strong>Good: nothing stands out</strong>"));
    CHECK(figure(page, "Frames") == "24");
    CHECK(figure(page, "Rows \xC3\x97 columns") == "4 \xC3\x97 6");
    CHECK(figure(page, "In the grid") == "24");
    CHECK(figure(page, "Holes") == "0");
    CHECK(figure(page, "Without a cell") == "0");
    CHECK(figure(page, "Left out") == "0");
    CHECK(figure(page, "Findings") == "0");
    CHECK(figure(page, "By the order alone").empty());
    CHECK(count(page, "<figure") == 24);
    CHECK_FALSE(holds(page, "id=\"left-out\""));
    CHECK_FALSE(holds(page, "id=\"findings\""));
    CHECK(reaches_outside(page).empty());
}

TEST_CASE("Every frame stands in its cell with its own picture", "[contact]") {
    const ContactSheet sheet = grid(3, 4);
    const std::string page = make_contact_sheet(sheet);
    for (const ContactFrame& f : sheet.frames) {
        const std::string here = cell(page, *f.row, *f.column);
        INFO(f.name);
        CHECK(holds(here, "<bdi>" + f.name + "</bdi>"));
        CHECK(holds(here, base64(f.jpeg)));
        CHECK(count(here, "<figure") == 1);
    }
    // Rows from the top, columns from the left.
    size_t last = 0;
    for (int64_t r = 0; r < 3; ++r) {
        for (int64_t c = 0; c < 4; ++c) {
            const size_t at =
                page.find("data-cell=\"" + std::to_string(r) + "," + std::to_string(c) + "\"");
            REQUIRE(at != std::string::npos);
            CHECK(at > last);
            last = at;
        }
    }
    CHECK(count(page, "<th scope=\"col\">") == 4);
    CHECK(count(page, "<th scope=\"row\">") == 3);
}

TEST_CASE("Holes, left-out frames and frames without a cell are shown and counted", "[contact]") {
    ContactSheet sheet = grid(4, 6);
    // r2c4 is missing; r3c5 fits nowhere; r0c0 and another outside of the grid were spoilt.
    std::erase_if(sheet.frames, [](const ContactFrame& f) { return f.name == "r2c4.jpg"; });
    sheet.empty_cells = {{2, 4}, {3, 5}, {2, 4}};
    for (ContactFrame& f : sheet.frames) {
        if (f.name == "r3c5.jpg") f.row = 17;
        if (f.name == "r0c0.jpg") {
            f.left_out = true;
            f.reason = "retaken as r0c1.jpg";
        }
        if (f.name == "r1c1.jpg" || f.name == "r1c2.jpg") f.by_sequence = true;
    }
    const std::string page = make_contact_sheet(sheet);
    CHECK(verdict(page).starts_with("look"));
    CHECK(holds(verdict(page), "Look at 2 things"));
    CHECK(holds(verdict(page), "2 cells without a frame"));
    CHECK(holds(verdict(page), "1 frame</a> without a cell"));
    CHECK(figure(page, "Frames") == "23");
    CHECK(figure(page, "In the grid") == "21");
    CHECK(figure(page, "Holes") == "2");
    CHECK(figure(page, "Without a cell") == "1");
    CHECK(figure(page, "Left out") == "1");
    CHECK(figure(page, "By the order alone") == "2");
    CHECK(holds(cell(page, 2, 4), "no frame"));
    CHECK(holds(cell(page, 3, 5), "no frame"));
    CHECK_FALSE(holds(cell(page, 2, 3), "no frame"));
    CHECK(holds(cell(page, 1, 1), "Placed by the order alone"));
    CHECK_FALSE(holds(cell(page, 1, 3), "Placed by the order alone"));
    CHECK(cell(page, 0, 0).empty());
    const std::string out = between(page, "id=\"left-out\"", "</section>");
    CHECK(holds(out, "r0c0.jpg"));
    CHECK(holds(out, "retaken as r0c1.jpg"));
    CHECK(holds(out, "set its <code>use</code> to <code>yes</code> in the scene file"));
    CHECK(holds(between(page, "id=\"without-cell\"", "</section>"), "r3c5.jpg"));
    CHECK(count(page, "<figure") == 23);
}

TEST_CASE("A set that cannot be laid out says why", "[contact]") {
    ContactSheet sheet = grid(2, 2);
    sheet.problem = "2 frames fit nowhere";
    const std::string page = make_contact_sheet(sheet);
    CHECK(verdict(page).starts_with("bad"));
    CHECK(holds(verdict(page), "Cannot be laid out"));
    CHECK(holds(verdict(page), "<strong>Cannot be laid out</strong>"));
    CHECK(holds(verdict(page), "<p>2 frames fit nowhere</p>"));
    // What is missing stands in the headline.
    ContactSheet gaps = sheet;
    gaps.frames[0].row.reset();
    gaps.empty_cells = {{0, 0}, {1, 5}};
    CHECK(holds(verdict(make_contact_sheet(gaps)),
                "<strong>Cannot be laid out: 2 cells without a frame, 1 frame without a cell"));
    // There is no scene file yet.
    sheet.frames[1].left_out = true;
    CHECK(holds(make_contact_sheet(sheet), "The scene file will hold them"));
    CHECK_FALSE(holds(make_contact_sheet(sheet), "They stay in the scene file"));
}

TEST_CASE("What the layout rests on is told below the grid", "[contact]") {
    ContactSheet sheet = grid(2, 2);
    CHECK_FALSE(holds(make_contact_sheet(sheet), "id=\"layout\""));
    sheet.order = "columns, down, right, one-way";
    sheet.field_of_view = "the sensor's size";
    const std::string page = make_contact_sheet(sheet);
    CHECK(figure(page, "Order") == "columns, down, right, one-way");
    CHECK(figure(page, "Field of view from") == "the sensor&#39;s size");
    CHECK(page.find("id=\"layout\"") > page.find("data-cell=\"1,1\""));
}

TEST_CASE("Equal findings are told once and mark their frames", "[contact]") {
    ContactSheet sheet = grid(12, 20);
    sheet.findings.push_back({"", "focus mode", "automatic", "manual", "may drift"});
    for (size_t i = 0; i < 100; ++i)
        find(sheet, i, "exposure time", i < 60 ? "1/320 s" : "1/400 s");
    find(sheet, 3, "sharpness", "30 %", "soft");
    const std::string page = make_contact_sheet(sheet);
    CHECK(holds(verdict(page), "Look at 3 things"));
    CHECK(holds(verdict(page), "100 frames"));
    CHECK(holds(verdict(page), "the whole set"));
    CHECK(figure(page, "Findings") == "102");
    const std::string table = between(page, "id=\"findings\"", "</section>");
    CHECK(count(table, "<tr role=\"row\" id=\"finding-") == 3);
    CHECK(holds(table, "1/320 s, 1/400 s"));
    CHECK(holds(table, "94 more"));
    CHECK(holds(table, "<a href=\"#f99\"><bdi>r3c8.jpg</bdi></a>: 1/400 s"));
    CHECK(count(cell(page, 3, 0), "class=\"mark\"") == 2);
    CHECK(holds(cell(page, 3, 0), "href=\"#finding-2\""));
    CHECK(holds(cell(page, 3, 0), "href=\"#finding-3\""));
    CHECK(count(cell(page, 2, 0), "class=\"mark\"") == 1);
    CHECK(count(cell(page, 11, 19), "class=\"mark\"") == 0);
}

TEST_CASE("What concerns most frames does not drown the marks of the others", "[contact]") {
    ContactSheet sheet = grid(4, 6);
    for (size_t i = 0; i < 13; ++i) find(sheet, i, "white balance", "automatic");
    find(sheet, 2, "sharpness", "30 %", "soft");
    const std::string page = make_contact_sheet(sheet);
    CHECK(count(cell(page, 2, 0), "class=\"mark\"") == 1);
    CHECK(holds(cell(page, 2, 0), "href=\"#finding-2\""));
    CHECK(count(cell(page, 1, 0), "class=\"mark\"") == 0);
    CHECK(holds(page, "not marked, as it concerns most frames: <a href=\"#finding-1\">1</a>"));
    // One frame fewer, and each bears its mark.
    sheet = grid(4, 6);
    for (size_t i = 0; i < 12; ++i) find(sheet, i, "white balance", "automatic");
    CHECK(count(cell(make_contact_sheet(sheet), 1, 0), "class=\"mark\"") == 1);
}

TEST_CASE("Many findings of a sort that differ in words are folded", "[contact]") {
    ContactSheet sheet = grid(4, 6);
    for (size_t i = 0; i < 9; ++i) {
        find(sheet, i, "exposure time", "1/320 s", "darker by " + std::to_string(i));
    }
    const std::string page = make_contact_sheet(sheet);
    const std::string table = between(page, "id=\"findings\"", "</section>");
    CHECK(count(table, "<tr role=\"row\" id=\"finding-") == 9);
    const std::string shown = table.substr(0, table.find("4 more of the same sorts"));
    CHECK(count(shown, "<tr role=\"row\" id=\"finding-") == 5);
    CHECK(holds(verdict(page), "Look at 9 things"));
}

TEST_CASE("Findings of frames that are nowhere, and numbers of none, do no harm", "[contact]") {
    ContactSheet sheet = grid(1, 2);
    sheet.findings.push_back({"gone.jpg", "size", "10 x 10", "20 x 20", "smaller"});
    sheet.frames[0].findings = {5, 0, 77};
    sheet.frames[1].row = -3;
    sheet.frames[1].jpeg.clear();
    sheet.empty_cells = {{9, 9}};
    const std::string page = make_contact_sheet(sheet);
    CHECK(holds(page, "<bdi>gone.jpg</bdi>"));
    CHECK(figure(page, "Without a cell") == "1");
    CHECK(holds(verdict(page), "1 cell without a frame: row 9, column 9"));
    CHECK(holds(page, "(no picture)"));
    CHECK(make_contact_sheet({}).ends_with("</html>\n"));
}

TEST_CASE("Rows of different lengths share the width, unless frames may be missing", "[contact]") {
    ContactSheet sheet = grid(2, 6);
    std::erase_if(sheet.frames, [](const ContactFrame& f) { return f.row == 0 && *f.column >= 4; });
    const std::string page = make_contact_sheet(sheet);
    // 24 units: four cells of 6, six of 4.
    CHECK(count(page, "colspan=\"6\"") == 4);
    CHECK(count(page, "colspan=\"4\"") == 6);
    CHECK(count(page, "<th scope=\"col\">") == 0);
    CHECK(figure(page, "Rows \xC3\x97 columns") == "2 \xC3\x97 up to 6");
    sheet.problem = "frames are missing";
    const std::string missing = make_contact_sheet(sheet);
    CHECK(count(missing, "colspan") == 0);
    CHECK(count(missing, "<td></td>") == 2 + 1);  // and the corner
}

TEST_CASE("A loose set flows in the order of capture", "[contact]") {
    ContactSheet sheet = grid(1, 5);
    sheet.rows = sheet.columns = 0;
    sheet.frames[2].left_out = true;
    const std::string page = make_contact_sheet(sheet);
    const std::string flow = between(page, "id=\"frames\"", "</section>");
    CHECK(count(flow, "<figure") == 4);
    CHECK(flow.find("r0c0") < flow.find("r0c1"));
    CHECK(flow.find("r0c1") < flow.find("r0c4"));
    CHECK_FALSE(holds(page, "id=\"grid\""));
    CHECK(figure(page, "Holes").empty());
    CHECK(holds(between(page, "id=\"left-out\"", "</section>"), "no reason given"));
}

TEST_CASE("Names from a card may hold anything", "[contact]") {
    const std::string bad = "<script>window.x=1</script>\"'\n\xFF\xC3";
    ContactSheet sheet = grid(2, 3);
    sheet.title = sheet.summary = sheet.order = sheet.field_of_view = bad;
    sheet.notes = {bad};
    for (ContactFrame& f : sheet.frames) f.name = f.time_text = f.reason = bad;
    sheet.frames[1].left_out = true;
    sheet.frames[2].row.reset();
    sheet.findings = {{bad, bad, bad, bad, bad}, {"", bad, "", "", ""}};
    sheet.frames[0].findings = {0};
    sheet.frames[3].name.clear();
    for (const std::string& problem : {std::string(), bad}) {
        sheet.problem = problem;
        const std::string page = make_contact_sheet(sheet);
        CHECK(reaches_outside(page).empty());
        CHECK(valid_utf8_prefix(page) == page.size());
        CHECK(count(page,
                    "&lt;script&gt;window.x=1&lt;/script&gt;&quot;&#39; \xEF\xBF\xBD\xEF\xBF\xBD") >
              20);
        CHECK(holds(page, "(no name)"));
    }
}

TEST_CASE("A sheet of 600 frames stays of reasonable size", "[contact]") {
    ContactSheet sheet = grid(20, 30);
    for (ContactFrame& f : sheet.frames) f.jpeg.assign(4000, 'j');
    // The pictures in base64 take 600 * 4000 * 4 / 3 = 3.2 MB; all else at most 1 KB a frame.
    CHECK(make_contact_sheet(sheet).size() < 600U * (5334 + 1000));
}
