// make_page OUT KEY=VALUE...: writes a page from the command line's values, for the browser test.
// Keys are those of PageData; `title=@FILE` and the like read the text from a file, so that it may
// hold any bytes.
#include <cstdio>
#include <fstream>
#include <iterator>
#include <map>
#include <string>

#include "io/page.hpp"

namespace {

std::string text_value(const std::string& value) {
    if (value.empty() || value.front() != '@') return value;
    std::ifstream file(value.substr(1), std::ios::binary);
    return {std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
}

bool set_value(broadloom::PageData& data, const std::string& key, const std::string& value) {
    const std::map<std::string, std::string*> texts{{"title", &data.title},
                                                    {"credit", &data.credit},
                                                    {"rights", &data.rights},
                                                    {"description", &data.description},
                                                    {"taken", &data.taken},
                                                    {"place", &data.place},
                                                    {"surface", &data.surface},
                                                    {"pass", &data.pass},
                                                    {"tiles_folder", &data.tiles_folder}};
    const std::map<std::string, int64_t*> sizes{{"width", &data.width},
                                                {"height", &data.height},
                                                {"tile", &data.tile},
                                                {"overlap", &data.overlap}};
    const std::map<std::string, double*> numbers{{"left_deg", &data.left_deg},
                                                 {"right_deg", &data.right_deg},
                                                 {"top_deg", &data.top_deg},
                                                 {"bottom_deg", &data.bottom_deg},
                                                 {"pixels_per_degree", &data.pixels_per_degree}};
    if (const auto text = texts.find(key); text != texts.end()) {
        *text->second = text_value(value);
    } else if (const auto size = sizes.find(key); size != sizes.end()) {
        *size->second = std::stoll(value);
    } else if (const auto number = numbers.find(key); number != numbers.end()) {
        *number->second = std::stod(value);
    } else if (key == "wraps") {
        data.wraps = value == "true";
    } else if (key == "seams") {
        data.seams = value == "true";
    } else {
        return false;
    }
    return true;
}

}  // namespace

int main(int argc, char** argv) {
    broadloom::PageData data;
    for (int i = 2; i < argc; ++i) {
        const std::string word = argv[i];
        const size_t equals = word.find('=');
        if (equals == std::string::npos ||
            !set_value(data, word.substr(0, equals), word.substr(equals + 1))) {
            std::fprintf(stderr, "make_page: unknown value %s\n", word.c_str());
            return 2;
        }
    }
    if (argc < 2) return 2;
    std::ofstream out(argv[1], std::ios::binary);
    out << broadloom::make_page(data);
    return out.flush() ? 0 : 1;
}
