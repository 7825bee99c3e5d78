# The pages that gather and align write.
broadloom_test(report_page_test unit/report_page_test.cpp LINK bl_io)
broadloom_test(contact_sheet_test unit/contact_sheet_test.cpp LINK bl_gather)
broadloom_test(align_page_test unit/align_page_test.cpp LINK bl_align)

# They in a real browser; skipped where page_browser_test is.
add_executable(make_report_pages support/make_report_pages.cpp support/valley_view.cpp)
target_include_directories(make_report_pages PRIVATE ${CMAKE_CURRENT_SOURCE_DIR})
target_link_libraries(make_report_pages PRIVATE bl_gather bl_align)
add_test(NAME report_pages_browser_test
  COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/browser/run.sh $<TARGET_FILE:make_report_pages>
    ${CMAKE_CURRENT_BINARY_DIR}/browser_reports reports.mjs)
set_tests_properties(report_pages_browser_test PROPERTIES SKIP_RETURN_CODE 77 TIMEOUT 300)
