#include "io/report_page.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <string>

#include "io/web_text.hpp"
#include "support/page_text.hpp"

using namespace broadloom;
using namespace broadloom::testing;

TEST_CASE("Base64 is that of RFC 4648", "[report]") {
    // RFC 4648, section 10, test vectors.
    CHECK(base64("").empty());
    CHECK(base64("f") == "Zg==");
    CHECK(base64("fo") == "Zm8=");
    CHECK(base64("foo") == "Zm9v");
    CHECK(base64("foob") == "Zm9vYg==");
    CHECK(base64("fooba") == "Zm9vYmE=");
    CHECK(base64("foobar") == "Zm9vYmFy");
    // RFC 4648, table 1: values 62 and 63; bytes above 127 keep their sign out of it.
    CHECK(base64("\xFB\xFF\xBF") == "+/+/");
    CHECK(base64(std::string("\0", 1)) == "AA==");
}

TEST_CASE("Numbers are written with so many decimals, whatever they are", "[report]") {
    CHECK(decimal(1.005, 1) == "1.0");
    CHECK(decimal(0.25, 3) == "0.250");
    CHECK(decimal(1234567.89, 0) == "1234568");
    CHECK(decimal(-1.5, 1) ==
          "\xE2\x88\x92"
          "1.5");
    CHECK(decimal(-0.004, 2) == "0.00");
    CHECK(decimal(std::nan(""), 2) == "\xE2\x80\x93");
    CHECK(decimal(-std::numeric_limits<double>::infinity(), 2) == "\xE2\x80\x93");
    CHECK(decimal(std::numeric_limits<double>::max(), 5).size() == 309 + 6);
}

TEST_CASE("One is singular", "[report]") {
    CHECK(counted(0, "frame", "frames") == "0 frames");
    CHECK(counted(1, "frame", "frames") == "1 frame");
    CHECK(counted(2, "frame", "frames") == "2 frames");
}

TEST_CASE("Every text is made safe for the page", "[report]") {
    const std::string bad = "<script>\"'&\n\xFF";
    const std::string safe = html_text(bad);
    std::string page = report_start(bad, bad, bad);
    page += report_verdict(Verdict::look, bad, bad, {"<b>markup stays</b>"});
    page += report_figures({{bad, bad}}) + section_start("here", bad) + folded(bad, "<i>too</i>");
    page +=
        report_notes({bad}) + embedded_picture("jpeg", 3, 2, bad) + embedded_picture("", 3, 2, bad);
    ReportTable table(bad, {{bad}, {bad, true}});
    table.add("", {"one", "2"});
    page += table.html() + section_end() + report_end();
    // Title (its element and its heading), kind (likewise), lead, verdict and why, figure, heading,
    // summary, note, two pictures, caption, two columns with a label for their cells each.
    CHECK(count(page, safe) == 4 + 1 + 2 + 2 + 1 + 1 + 1 + 2 + 1 + 4);
    CHECK_FALSE(holds(page, "<script"));
    CHECK(holds(page, "<b>markup stays</b>"));
    CHECK(reaches_outside(page).empty());
    CHECK(reaches_outside(page + "<img src=\"x.jpg\">") == "src");
    CHECK(reaches_outside(page + "<a href=\"page.html\">") == "href");
    CHECK(reaches_outside(page + "<script>") == "<script");
}

TEST_CASE("A report's own policy forbids requests and scripts", "[report]") {
    const std::string page = report_start("Report", "Set", "");
    const std::string policy = between(page, "Content-Security-Policy\" content=\"", "\"");
    CHECK(holds(policy, "default-src 'none'"));
    CHECK(holds(policy, "img-src data:;"));
    CHECK_FALSE(holds(policy, "script"));
    // It holds only for what comes after it.
    CHECK(page.find("Content-Security-Policy") < page.find("<link"));
    CHECK(page.find("Content-Security-Policy") < page.find("<style"));
    CHECK(holds(report_start("Report", "", ""), "<h1 dir=\"auto\">Untitled set</h1>"));
}

TEST_CASE("Reasons beyond ten are counted", "[report]") {
    const std::string ten =
        report_verdict(Verdict::bad, "Bad", "", std::vector<std::string>(10, "r"));
    CHECK(count(ten, "<li>r</li>") == 10);
    CHECK_FALSE(holds(ten, "more below"));
    const std::string more =
        report_verdict(Verdict::bad, "Bad", "", std::vector<std::string>(13, "r"));
    CHECK(count(more, "<li>r</li>") == 10);
    CHECK(holds(more, "<li>and 3 more below</li>"));
}

TEST_CASE("Sentences begin with a capital, names stay", "[report]") {
    CHECK(holds(report_notes({"the set is small"}), "<li>The set is small</li>"));
    CHECK(holds(report_notes({"h24.jpg is small"}), "<li>h24.jpg is small</li>"));
    CHECK(holds(report_notes({"harrow"}), "<li>harrow</li>"));
    CHECK(holds(report_notes({""}), "<li></li>"));
}

TEST_CASE("Options of the program are not broken over two lines", "[report]") {
    const std::string note = report_notes({"give --rows, or --allow-gaps"});
    CHECK(holds(note,
                "<li>Give <span class=\"option\">--rows</span>, or <span "
                "class=\"option\">--allow-gaps</span></li>"));
    CHECK(holds(report_notes({"a--b and -- and -c"}), "<li>a--b and -- and -c</li>"));
    CHECK(holds(report_notes({"the --<b>"}), "<li>The --&lt;b&gt;</li>"));
    CHECK(holds(std::string(report_style()), ".option { white-space: nowrap; }"));
}

TEST_CASE("A table names its columns and rows for those who hear it", "[report]") {
    ReportTable table("Frames", {{"File"}, {"Pairs", true}});
    CHECK(table.rows() == 0);
    table.add("first", {"a", "4"});
    table.add("", {"b", "5"});
    CHECK(table.rows() == 2);
    const std::string html = table.html();
    CHECK(count(html, "scope=\"col\"") == 2);
    CHECK(count(html, "scope=\"row\"") == 2);
    CHECK(count(html, "<td ") == 2);
    CHECK(holds(html, "id=\"first\""));
    CHECK(count(html, "data-name=\"Pairs\" class=\"number\"><div>") == 2);
    CHECK(holds(html, ">Frames</caption>"));
}
