// make_report_pages FOLDER: writes sample contact sheets and alignment pages of invented sets, for
// the browser test and for looking at. Names tell what each shows.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <limits>
#include <string>
#include <vector>

#include "align/align_page.hpp"
#include "gather/contact_sheet.hpp"
#include "support/valley_view.hpp"

using namespace broadloom;
using broadloom::testing::picture;
using broadloom::testing::View;

namespace {

const std::string kHostile = "<script>window.x=1</script><img src=x onerror=\"window.x=2\">'\"\n";

uint32_t hash(int64_t a, int64_t b) {
    uint64_t h = static_cast<uint64_t>(a) * 0x9E3779B97F4A7C15ULL + static_cast<uint64_t>(b);
    h = (h ^ (h >> 31U)) * 0xBF58476D1CE4E5B9ULL;
    return static_cast<uint32_t>(h >> 33U);
}

std::string numbered(size_t number) {
    char text[32];
    std::snprintf(text, sizeof text, "H24_%04zu.jpg", number);
    return text;
}

std::string at_time(size_t i) {
    char text[32];
    std::snprintf(text, sizeof text, "18:%02zu:%02zu", 12 + i * 5 / 60, i * 5 % 60);
    return text;
}

// ---- contact sheets ----

/// rows x columns, photographed column by column, every frame in its cell.
ContactSheet whole_grid(int64_t rows, int64_t columns, int64_t width = 156, int64_t height = 104) {
    ContactSheet sheet;
    sheet.title = "Mill pond from the weir";
    sheet.rows = rows;
    sheet.columns = columns;
    sheet.order = "columns, down, right, one-way";
    sheet.field_of_view = "35-mm equivalent in the frames (by diagonal)";
    for (int64_t c = 0; c < columns; ++c) {
        for (int64_t r = 0; r < rows; ++r) {
            ContactFrame f;
            f.name = numbered(sheet.frames.size() + 107);
            f.time_text = at_time(sheet.frames.size());
            View view;
            view.height = view.width * static_cast<double>(height) / static_cast<double>(width);
            view.yaw = (static_cast<double>(c) - 0.5 * static_cast<double>(columns - 1)) * 12.6;
            view.pitch = (0.5 * static_cast<double>(rows - 1) - static_cast<double>(r)) * 8.4;
            f.jpeg = picture(view, width, height);
            f.width = width;
            f.height = height;
            f.row = r;
            f.column = c;
            sheet.frames.push_back(std::move(f));
        }
    }
    sheet.summary = std::to_string(sheet.frames.size()) + " frames in " + std::to_string(rows) +
                    " rows x " + std::to_string(columns) + " columns";
    return sheet;
}

ContactFrame& frame_at(ContactSheet& sheet, int64_t row, int64_t column) {
    for (ContactFrame& f : sheet.frames) {
        if (f.row == row && f.column == column) return f;
    }
    return sheet.frames.front();
}

void find(ContactSheet& sheet, ContactFrame& frame, Finding finding) {
    finding.frame = frame.name;
    frame.findings.push_back(sheet.findings.size());
    sheet.findings.push_back(std::move(finding));
}

/// 4 x 6 with one hole, two retakes, findings.
ContactSheet with_findings() {
    ContactSheet sheet = whole_grid(4, 6);
    sheet.findings.push_back({"", "focus mode", "automatic", "manual",
                              "the sharp distance may change from frame to frame"});
    ContactFrame& dark = frame_at(sheet, 1, 4);
    View view{25.2 - 6.3, 4.2, 18, 12, 0.5, 0, false};
    dark.jpeg = picture(view, 156, 104);
    find(sheet, dark,
         {"", "brightness", "1.0 stops darker than its neighbours", "as bright as its neighbours",
          "evened out, but clipped lights stay lost and lifted shadows are noisier"});
    find(sheet, dark,
         {"", "exposure time", "1/500 s", "1/250 s",
          "darker or brighter than the rest; evened out where nothing is clipped"});
    ContactFrame& blurred = frame_at(sheet, 2, 1);
    view = {-18.9, -4.2, 18, 12, 1, 0.9, false};
    blurred.jpeg = picture(view, 156, 104);
    find(sheet, blurred,
         {"", "sharpness", "38 % of its neighbours' finest detail", "as sharp as its neighbours",
          "looks blurred; its part of the picture will be soft"});
    for (int64_t r = 0; r < 4; ++r) {
        find(sheet, frame_at(sheet, r, 5),
             {"", "white balance", "automatic", "manual", "its colours may differ from the rest"});
    }
    for (const int64_t c : {0, 2, 3}) frame_at(sheet, 0, c).by_sequence = true;
    // A hole, and two takes that were spoilt.
    std::erase_if(sheet.frames, [](const ContactFrame& f) { return f.row == 2 && f.column == 4; });
    sheet.empty_cells = {{2, 4}};
    for (const int64_t r : {2, 3}) {
        ContactFrame spoilt = frame_at(sheet, r, 2);
        spoilt.name = numbered(300 + static_cast<size_t>(r));
        View lorry{-6.3, 12.6 - 8.4 * static_cast<double>(r), 18, 12, 1, 0, r == 3};
        spoilt.jpeg = picture(lorry, 156, 104);
        spoilt.left_out = true;
        spoilt.findings.clear();
        spoilt.reason = "retaken as " + frame_at(sheet, r, 2).name;
        sheet.frames.push_back(std::move(spoilt));
    }
    sheet.summary = "23 frames in 4 rows x 6 columns, 1 cell empty, 2 left out";
    sheet.notes = {"the frames are ordered by capture time; 2 names disagree with it",
                   "23 of 25 frames carry no colour profile and are read as sRGB"};
    return sheet;
}

/// Nobody knows where the last frames belong.
ContactSheet without_layout() {
    ContactSheet sheet = whole_grid(3, 5);
    sheet.problem =
        "the frames do not fill a grid; frames without a cell: H24_0119.jpg, H24_0120.jpg; cells "
        "without a frame: row 0 column 4, row 1 column 4; give --rows, --columns or --order, add "
        "the "
        "missing frames, or go on with --allow-gaps";
    for (const int64_t r : {0, 1}) {
        ContactFrame& f = frame_at(sheet, r, 4);
        f.row.reset();
        f.column.reset();
        sheet.empty_cells.emplace_back(r, 4);
    }
    sheet.summary = "15 frames";
    return sheet;
}

/// Rows of different lengths, as plans for steep pitch have them.
ContactSheet uneven_rows() {
    ContactSheet sheet = whole_grid(4, 8);
    std::erase_if(sheet.frames, [](const ContactFrame& f) {
        return (f.row == 0 && *f.column >= 3) || (f.row == 1 && *f.column >= 6);
    });
    sheet.summary = "25 frames in rows of 3, 6, 8 and 8";
    return sheet;
}

ContactSheet without_grid() {
    ContactSheet sheet = whole_grid(3, 4);
    sheet.rows = sheet.columns = 0;
    sheet.order.clear();
    for (ContactFrame& f : sheet.frames) {
        f.row.reset();
        f.column.reset();
    }
    sheet.summary = "12 frames, hand-held";
    return sheet;
}

/// 12 x 20 portrait frames of which 200 were on automatic exposure.
ContactSheet many_findings() {
    ContactSheet sheet = whole_grid(12, 20, 90, 135);
    const char* times[] = {"1/320 s", "1/400 s", "1/500 s", "1/640 s", "1/200 s"};
    for (size_t i = 0; i < 200; ++i) {
        find(sheet, sheet.frames[i],
             {"", "exposure time", times[hash(static_cast<int64_t>(i), 7) % 5], "1/250 s",
              "darker or brighter than the rest; evened out where nothing is clipped"});
    }
    for (size_t i = 0; i < 36; ++i) sheet.frames[i * 6 % 240].by_sequence = i % 2 == 0;
    return sheet;
}

ContactSheet hostile_sheet() {
    ContactSheet sheet = with_findings();
    for (std::string* text : {&sheet.title, &sheet.summary, &sheet.order, &sheet.field_of_view,
                              &sheet.problem, &sheet.notes.front()}) {
        *text = kHostile;
    }
    for (Finding& f : sheet.findings) {
        f.what = f.value = f.usual = f.effect = kHostile;
        if (!f.frame.empty()) f.frame = kHostile;
    }
    for (ContactFrame& f : sheet.frames) f.name = f.time_text = f.reason = kHostile;
    frame_at(sheet, 0, 0).name = "\xFF\xFE\xC3 \xE2\x80\xAEgpj.live" + std::string(300, 'x');
    return sheet;
}

// ---- alignment pages ----

struct AlignSample {
    AlignReport report;
    AlignPage page;
};

/// rows x columns, neighbours linked. With `doubt`, frames by the head, weak pairs, crops.
void fill(AlignSample& sample, int64_t rows, int64_t columns, bool doubt) {
    AlignReport& r = sample.report;
    AlignPage& p = sample.page;
    p.title = "Mill pond from the weir";
    const auto noise = [](size_t i, int64_t salt) {
        return static_cast<double>(hash(static_cast<int64_t>(i), salt) % 1000) / 1000 - 0.5;
    };
    const auto by_head = [&](int64_t row, int64_t column) {
        return doubt && row == 0 && (column == 0 || column == 2 || column == 3);
    };
    const double step_yaw = columns > 12 ? 360.0 / static_cast<double>(columns) : 12.6;
    const double step_pitch = step_yaw / 1.5;
    for (int64_t c = 0; c < columns; ++c) {
        for (int64_t row = 0; row < rows; ++row) {
            FrameReport f;
            const size_t i = r.frame_reports.size();
            f.frame = i;
            f.file = "card/" + numbered(i + 107);
            f.placed_by = by_head(row, c) ? "head" : "matches";
            f.low_confidence = by_head(row, c);
            r.frame_reports.push_back(f);
            p.yaw_deg.push_back((static_cast<double>(c) - 0.5 * static_cast<double>(columns - 1)) *
                                    step_yaw +
                                0.6 * noise(i, 3));
            p.pitch_deg.push_back((0.5 * static_cast<double>(rows - 1) - static_cast<double>(row)) *
                                      step_pitch +
                                  0.6 * noise(i, 4));
            p.width_deg.push_back(step_yaw * 1.43);
            p.height_deg.push_back(step_yaw * 0.95);
        }
    }
    const bool all_round = columns > 12;
    const auto index = [rows](int64_t row, int64_t column) {
        return static_cast<size_t>(column * rows + row);
    };
    const auto add = [&](size_t a, size_t b) {
        FrameReport& fa = r.frame_reports[a];
        FrameReport& fb = r.frame_reports[b];
        if (fa.placed_by == "head" || fb.placed_by == "head") return;
        PairReport pair;
        pair.a = std::min(a, b);
        pair.b = std::max(a, b);
        pair.matches = 60 + hash(static_cast<int64_t>(a), static_cast<int64_t>(b)) % 240;
        pair.rms_px = 0.32 + 0.2 * noise(a + 100 * b, 5);
        pair.max_px = pair.rms_px * (2.6 + noise(a, 6));
        if (doubt && (a * 7 + b) % 19 == 3) {
            pair.weak = true;
            pair.matches = 9 + static_cast<int64_t>(a % 4);
            pair.rms_px += 1.4;
            pair.max_px += 3.1;
        }
        for (FrameReport* f : {&fa, &fb}) {
            ++f->pairs;
            f->matches += pair.matches;
            f->rms_px = std::max(f->rms_px, pair.rms_px);
            f->max_px = std::max(f->max_px, pair.max_px);
        }
        r.pairs.push_back(pair);
    };
    for (int64_t c = 0; c < columns; ++c) {
        for (int64_t row = 0; row < rows; ++row) {
            if (row + 1 < rows) add(index(row, c), index(row + 1, c));
            if (c + 1 < columns) add(index(row, c), index(row, c + 1));
            if (all_round && c + 1 == columns) add(index(row, c), index(row, 0));
        }
    }
    r.frames = static_cast<int64_t>(r.frame_reports.size());
    for (const FrameReport& f : r.frame_reports) {
        (f.placed_by == "head" ? r.placed_by_head : r.placed_by_matches) += 1;
    }
    r.rms_px = doubt ? 0.47 : 0.31;
    for (const PairReport& pair : r.pairs) r.max_px = std::max(r.max_px, pair.max_px);
    r.cameras.push_back({"main", 18.86, 18.02, {-0.0412, 0.0031, 0}, {2741.3, 1819.6}});
    r.spread_before_stops = 0.34;
    r.spread_after_stops = 0.03;
    r.notes = {"sphere: the set spans 75 x 36 degrees"};
    p.report = &r;
}

void add_crops(AlignSample& sample) {
    for (size_t i = 0; i < sample.report.pairs.size() && sample.page.crops.size() < 6; ++i) {
        const PairReport& pair = sample.report.pairs[i];
        if (!pair.weak) continue;
        const double yaw = (sample.page.yaw_deg[pair.a] + sample.page.yaw_deg[pair.b]) / 2;
        const double pitch = (sample.page.pitch_deg[pair.a] + sample.page.pitch_deg[pair.b]) / 2;
        PairCrops crops;
        crops.pair = i;
        crops.width = crops.height = 300;  // as large as the program cuts them
        crops.jpeg_a = picture({yaw, pitch, 4, 4, 1, 0, false}, 300, 300, 88);
        crops.jpeg_b = picture({yaw + 0.06, pitch - 0.03, 4, 4, 0.94, 0, false}, 300, 300, 88);
        sample.page.crops.push_back(std::move(crops));
    }
}

void fall_apart(AlignSample& sample) {
    AlignReport& r = sample.report;
    sample.page.problem =
        "the set falls into 2 groups that share no matches: 12 frames (from card/H24_0107.jpg); 11 "
        "frames (from card/H24_0119.jpg); what was solved is written; leave out frames that do not "
        "belong, or add frames that join the groups";
    r.groups.assign(2, {});
    for (size_t i = 0; i < r.frame_reports.size(); ++i) {
        if (i == 23) continue;
        r.groups[i < 12 ? 0 : 1].push_back(r.frame_reports[i].file);
    }
    std::erase_if(r.pairs,
                  [](const PairReport& p) { return p.b == 23 || (p.a < 12) != (p.b < 12); });
    FrameReport& lost = r.frame_reports[23];
    FrameReport nowhere;
    nowhere.frame = 23;
    nowhere.file = lost.file;
    lost = nowhere;
    sample.page.yaw_deg[23] = std::numeric_limits<double>::quiet_NaN();
    r.placed_by_matches = 23;
}

void make_hostile(AlignSample& sample) {
    AlignReport& r = sample.report;
    sample.page.title = sample.page.problem = kHostile;
    for (FrameReport& f : r.frame_reports) f.file = kHostile + "\xFF";
    r.frame_reports[1].placed_by = kHostile;
    r.cameras.front().name = kHostile;
    r.notes = {kHostile};
    r.groups = {{kHostile, "b"}, {kHostile, kHostile}, {kHostile}};
}

void write(const std::filesystem::path& folder, const char* name, const std::string& text) {
    std::ofstream out(folder / name, std::ios::binary);
    out << text;
    if (!out.flush()) {
        std::fprintf(stderr, "make_report_pages: %s cannot be written\n", name);
        std::exit(1);
    }
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 2) {
        std::fprintf(stderr, "usage: make_report_pages FOLDER\n");
        return 2;
    }
    const std::filesystem::path folder = argv[1];
    std::filesystem::create_directories(folder);
    write(folder, "contact_good.html", make_contact_sheet(whole_grid(4, 6)));
    write(folder, "contact_look.html", make_contact_sheet(with_findings()));
    write(folder, "contact_bad.html", make_contact_sheet(without_layout()));
    write(folder, "contact_uneven.html", make_contact_sheet(uneven_rows()));
    write(folder, "contact_loose.html", make_contact_sheet(without_grid()));
    write(folder, "contact_many.html", make_contact_sheet(many_findings()));
    write(folder, "contact_hostile.html", make_contact_sheet(hostile_sheet()));
    AlignSample good;
    fill(good, 4, 6, false);
    write(folder, "align_good.html", make_align_page(good.page));
    AlignSample look;
    fill(look, 4, 6, true);
    add_crops(look);
    write(folder, "align_look.html", make_align_page(look.page));
    AlignSample bad;
    fill(bad, 4, 6, false);
    fall_apart(bad);
    write(folder, "align_bad.html", make_align_page(bad.page));
    AlignSample round;
    fill(round, 6, 24, true);
    write(folder, "align_round.html", make_align_page(round.page));
    AlignSample hostile;
    fill(hostile, 4, 6, true);
    add_crops(hostile);
    make_hostile(hostile);
    write(folder, "align_hostile.html", make_align_page(hostile.page));
    return 0;
}
