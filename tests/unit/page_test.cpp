#include "io/page.hpp"

#include <catch2/catch.hpp>
#include <limits>
#include <string>

#include "broadloom/error.hpp"
#include "io/web_text.hpp"
#include "viewer/page_template.hpp"

using namespace broadloom;

namespace {

PageData small_page() {
    PageData data;
    data.width = 4224;
    data.height = 3168;
    data.tile = 256;
    data.left_deg = -30;
    data.right_deg = 30;
    data.top_deg = 20;
    data.bottom_deg = -25;
    data.pixels_per_degree = 70.4;
    return data;
}

size_t count(const std::string& text, const std::string& part) {
    size_t found = 0;
    for (size_t at = text.find(part); at != std::string::npos; at = text.find(part, at + 1))
        ++found;
    return found;
}

}  // namespace

TEST_CASE("Invalid UTF-8 becomes one replacement character a maximal part", "[page]") {
    const std::string bad = "\xEF\xBF\xBD";
    // The Unicode Standard 15.0, section 3.9, tables 3-8, 3-9, 3-10 and 3-11.
    CHECK(repair_utf8("\xC0\xAF\xE0\x80\xBF\xF0\x81\x82\x41") ==
          bad + bad + bad + bad + bad + bad + bad + bad + "A");
    CHECK(repair_utf8("\xED\xA0\x80\xED\xBF\xBF\xED\xAF\x41") ==
          bad + bad + bad + bad + bad + bad + bad + bad + "A");
    CHECK(repair_utf8("\xF4\x91\x92\x93\xFF\x41\x80\xBF\x42") ==
          bad + bad + bad + bad + bad + "A" + bad + bad + "B");
    CHECK(repair_utf8("\xE1\x80\xE2\xF0\x91\x92\xF1\xBF\x41") == bad + bad + bad + bad + "A");
    // Valid text, up to the last character U+10FFFF, is left alone.
    const std::string good = "Gr\xC3\xBC\xC3\x9F \xE2\x82\xAC \xF0\x9F\x8C\x84 \xF4\x8F\xBF\xBF";
    CHECK(repair_utf8(good) == good);
    CHECK(repair_utf8(good.substr(0, good.size() - 1)) == good.substr(0, good.size() - 4) + bad);
}

TEST_CASE("JSON inside a script element can neither end it nor break a line", "[page]") {
    CHECK(json_string("</script>&<!--") == R"("\u003c/script\u003e\u0026\u003c!--")");
    CHECK(json_string("a\"b\\c\n\x01\x7F") == R"("a\"b\\c\u000a\u0001\u007f")");
    CHECK(json_string("x\xE2\x80\xA8y\xE2\x80\xA9z") == R"("x\u2028y\u2029z")");
    CHECK(json_string("x\xE2\x80\xA7y") == "\"x\xE2\x80\xA7y\"");
    CHECK(json_string(std::string("a\0b", 3)) == R"("a\u0000b")");
}

TEST_CASE("HTML text and URLs are escaped", "[page]") {
    CHECK(html_text("<b title=\"x\" y='z'>&") ==
          "&lt;b title=&quot;x&quot; y=&#39;z&#39;&gt;&amp;");
    CHECK(html_text("one\ntwo\tthree\xC2\x85") == "one two three ");
    CHECK(html_text("\xC3\x85") == "\xC3\x85");
    CHECK(url_path("pano_files/a b#c?%\xC3\xA5") == "pano_files/a%20b%23c%3f%25%c3%a5");
}

TEST_CASE("Numbers read back exactly and must be finite", "[page]") {
    CHECK(json_number(0.1) == "0.1");
    CHECK(json_number(-45) == "-45");
    CHECK(std::stod(json_number(1.0 / 3)) == 1.0 / 3);
    CHECK_THROWS_AS(json_number(std::numeric_limits<double>::infinity()), Error);
    CHECK_THROWS_AS(json_number(std::numeric_limits<double>::quiet_NaN()), Error);
}

TEST_CASE("The template holds each place once and carries the library's licence", "[page]") {
    const std::string page(page_template());
    for (const char* place : {"@@title@@", "@@data@@", "@@fallback@@"})
        CHECK(count(page, place) == 1);
    CHECK(count(page, "@@") == 6);
    CHECK(page.find("Copyright (C) 2009 CodePlex Foundation") != std::string::npos);
    CHECK(page.find("THIS SOFTWARE IS PROVIDED BY THE COPYRIGHT HOLDERS") != std::string::npos);
}

TEST_CASE("The page is complete in itself", "[page]") {
    const std::string page = make_page(small_page());
    CHECK(page.rfind("<!DOCTYPE html>", 0) == 0);
    CHECK(page.substr(page.size() - 8) == "</html>\n");
    // Nothing is taken from elsewhere: no script, style or frame has an address.
    CHECK(count(page, "<script src") == 0);
    CHECK(count(page, "rel=\"stylesheet\"") == 0);
    CHECK(count(page, "@import") == 0);
    CHECK(count(page, "sourceMappingURL") == 0);
    CHECK(count(page, "</script>") == 4);
}

TEST_CASE("A hostile title stays text", "[page]") {
    PageData data = small_page();
    const size_t scripts = count(make_page(data), "</script>");
    data.title = data.credit = data.rights = "</script><script>window.x=1</script><!--@@data@@";
    data.tiles_folder = "a\"><script>b";
    const std::string page = make_page(data);
    CHECK(count(page, "</script>") == scripts);
    CHECK(page.find("<script>window.x") == std::string::npos);
    CHECK(page.find("<title>&lt;/script&gt;&lt;script&gt;window.x=1&lt;/script&gt;&lt;!--@@data@@"
                    "</title>") != std::string::npos);
    CHECK(page.find("a%22%3e%3cscript%3eb/8/0_0.jpg") != std::string::npos);
}

TEST_CASE("Without scripts the page shows the largest level of one tile", "[page]") {
    // Published pyramid of 4224x3168 in tiles of 256: level 13 is the picture; level 9 is 264x198,
    // two tiles, level 8 is 132x99, one tile.
    PageData data = small_page();
    CHECK(make_page(data).find("src=\"pano_files/8/0_0.jpg\" width=\"132\" height=\"99\"") !=
          std::string::npos);
    data.tile = 264;
    CHECK(make_page(data).find("src=\"pano_files/9/0_0.jpg\" width=\"264\" height=\"198\"") !=
          std::string::npos);
    data.width = data.height = 1;
    CHECK(make_page(data).find("src=\"pano_files/0/0_0.jpg\" width=\"1\" height=\"1\"") !=
          std::string::npos);
}

TEST_CASE("Data that no page can show is refused", "[page]") {
    const auto refused = [](auto change) {
        PageData data = small_page();
        change(data);
        CHECK_THROWS_AS(make_page(data), Error);
    };
    CHECK_NOTHROW(make_page(small_page()));
    refused([](PageData& d) { d.width = 0; });
    refused([](PageData& d) { d.tile = 0; });
    refused([](PageData& d) { d.overlap = -1; });
    refused([](PageData& d) { d.surface = "cone"; });
    refused([](PageData& d) { d.pass = "half"; });
    refused([](PageData& d) { d.pixels_per_degree = 0; });
    refused([](PageData& d) { d.top_deg = std::numeric_limits<double>::quiet_NaN(); });
}
