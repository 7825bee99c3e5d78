#include "gather/contact_plan.hpp"

#include <algorithm>

namespace broadloom {

namespace {

void plan_findings(const ContactSheet& sheet, ContactPlan& plan) {
    constexpr size_t kMostOfASort = 5;
    std::map<std::pair<std::string, std::string>, size_t> known;
    std::map<std::string, size_t> of_a_sort;
    for (size_t i = 0; i < sheet.findings.size(); ++i) {
        const Finding& f = sheet.findings[i];
        const auto [it, fresh] = known.try_emplace({f.what, f.effect}, plan.kinds.size());
        if (fresh)
            plan.kinds.push_back({f.what, f.effect, {}, ++of_a_sort[f.what] > kMostOfASort, true});
        plan.kinds[it->second].findings.push_back(i);
        plan.kind_of_finding.push_back(it->second);
    }
    constexpr size_t kSmallSet = 8;
    for (FindingKind& kind : plan.kinds) {
        kind.marked =
            sheet.frames.size() < kSmallSet || 2 * kind.findings.size() <= sheet.frames.size();
    }
    plan.frame_of_finding.assign(sheet.findings.size(), sheet.frames.size());
    for (size_t i = 0; i < sheet.frames.size(); ++i) {
        for (const size_t f : sheet.frames[i].findings) {
            if (f < sheet.findings.size()) plan.frame_of_finding[f] = i;
        }
    }
}

}  // namespace

bool inside_grid(const ContactSheet& sheet, const GridCell& cell) {
    return cell.first >= 0 && cell.first < sheet.rows && cell.second >= 0 &&
           cell.second < sheet.columns;
}

ContactPlan plan_contact_sheet(const ContactSheet& sheet) {
    ContactPlan plan;
    plan_findings(sheet, plan);
    for (size_t i = 0; i < sheet.frames.size(); ++i) {
        const ContactFrame& f = sheet.frames[i];
        if (f.left_out) {
            plan.left_out.push_back(i);
            continue;
        }
        if (f.by_sequence) ++plan.by_order;
        const GridCell cell{f.row.value_or(-1), f.column.value_or(-1)};
        if (sheet.rows <= 0) {
            plan.loose.push_back(i);
        } else if (inside_grid(sheet, cell)) {
            plan.cells[cell].push_back(i);
        } else {
            plan.homeless.push_back(i);
        }
    }
    plan.holes = sheet.empty_cells;
    std::sort(plan.holes.begin(), plan.holes.end());
    plan.holes.erase(std::unique(plan.holes.begin(), plan.holes.end()), plan.holes.end());
    plan.columns_of_row.assign(static_cast<size_t>(std::max<int64_t>(sheet.rows, 0)), 0);
    const auto reaches = [&plan](const GridCell& cell) {
        int64_t& columns = plan.columns_of_row[static_cast<size_t>(cell.first)];
        columns = std::max(columns, cell.second + 1);
    };
    for (const auto& [cell, frames] : plan.cells) reaches(cell);
    for (const GridCell& cell : plan.holes) {
        if (inside_grid(sheet, cell)) reaches(cell);
    }
    return plan;
}

}  // namespace broadloom
