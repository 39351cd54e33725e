"""Table of fields, second part: deck, decoder, interface, capture, and the doubts about any of them."""

from __future__ import annotations

TABLE = """
/deck/deck_id = premis agent[deck]/agentIdentifier[equipment identifier]/agentIdentifierValue
/deck/deck_make_model = history tape row T ~ after 'deck '; premis agent[deck]/agentName
/deck/deck_serial = history tape row T ~ within; premis agent[deck]/agentNote ~ after 'serial number: '
/deck/deck_last_service = premis agent[deck]/agentNote ~ words
/deck/dropout_compensator = premis agent[deck]/agentNote ~ words
/deck/picture_processing[] = premis agent[deck]/agentNote ~ words
/deck/picture_processing_note = premis agent[deck]/agentNote ~ words
/deck/tracking_note = premis agent[deck]/agentNote ~ words
/decoder/decoder_id = premis agent[decoder]/agentIdentifier[equipment identifier]/agentIdentifierValue
/decoder/decoder_make_model = history capture row T ~ after 'decoder '; premis agent[decoder]/agentName
    ; history analogue row T ~ after 'analogue output ' ? it was captured through an analogue output
/decoder/decoder_serial = history capture row T ~ within
    ; premis agent[decoder]/agentNote ~ after 'serial number: '
    ; history analogue row T ~ within ? it was captured through an analogue output
/decoder/decoder_mode = premis agent[decoder]/agentNote ~ words
/decoder/emphasis_indicator = premis agent[decoder]/agentNote ~ words
/decoder/copy_indicator = premis agent[decoder]/agentNote ~ words
    ; premis rights//otherRightsNote ~ after 'copy-prohibit lamp of the decoder: ' ? the basis is not a
        licence
    ; premis rights//licenseNote ~ after 'copy-prohibit lamp of the decoder: ' ? the basis is a licence
/decoder/error_indication = premis agent[decoder]/agentNote ~ words
/decoder/digital_output = premis agent[decoder]/agentNote ~ words
/decoder/digital_output_revision = premis agent[decoder]/agentNote ~ words
    ; premis agent[digital-output-board]/agentName ? it was built in later
/decoder/shared_converter = premis agent[decoder]/agentNote ~ words
/decoder/shared_converter_note = premis agent[decoder]/agentNote ~ words
/interface/interface_type = history capture row T ~ after 'interface '; premis agent[interface]/agentName
/interface/interface_type_note = premis agent[interface]/agentNote ~ words
/interface/interface_reason = premis agent[interface]/agentNote ~ words
/interface/channel_status_raw[] = premis agent[interface]/agentNote ~ words
/interface/cs_emphasis = premis agent[interface]/agentNote ~ words
/interface/cs_emphasis_note = premis agent[interface]/agentNote ~ words
/interface/cs_fs_code = premis agent[interface]/agentNote ~ words
/interface/cs_copy = premis agent[interface]/agentNote ~ words
    ; premis rights//otherRightsNote ~ after 'copy bit of the digital interface: ' ? the basis is not a
        licence
    ; premis rights//licenseNote ~ after 'copy bit of the digital interface: ' ? the basis is a licence
/capture/capture_device_id = premis agent[capture-device]/agentIdentifier[equipment
        identifier]/agentIdentifierValue
/capture/capture_input = premis agent[capture-device]/agentNote ~ words
/capture/capture_device_make_model = history capture row T ~ after 'capture '
    ; premis agent[capture-device]/agentName
/capture/capture_device_serial = history capture row T ~ within
    ; premis agent[capture-device]/agentNote ~ after 'serial number: '
/capture/clock_source = history capture row T ~ after 'clock '
    ; premis agent[capture-device]/agentNote ~ words
/capture/src_in_path = history capture row T ~ after 'rate conversion in path: '
    ; premis agent[capture-device]/agentNote ~ words
/capture/capture_software = history capture row T ~ within; premis agent[capture-software]/agentName
/capture/capture_word_length = premis agent[capture-device]/agentNote ~ words
    ; premis object[master-1]/significantProperties[captured word length in bits]/significantPropertiesValue
    ; aes57 appSpecificData ~ after 'captured word length, bits: '
/capture/chain_id = premis agent[capture-device]/agentNote ~ words
/capture/chain_check_id = premis agent[capture-device]/agentNote ~ words
    ; premis event[chain-check-1]//eventDetail ~ after 'test ' ? there was one
/capture/chain_check_at = premis agent[capture-device]/agentNote ~ words
    ; premis event[chain-check-1]/eventDateTime ? there was one
/path_equipment[]/equipment_id = premis agent[path-equipment-{n}]/agentNote ~ words
/path_equipment[]/kind = premis agent[path-equipment-{n}]/agentNote ~ words
/path_equipment[]/make_model = premis agent[path-equipment-{n}]/agentName
/path_equipment[]/serial = premis agent[path-equipment-{n}]/agentNote ~ after 'serial number: '
/path_equipment[]/fitted_to = premis agent[path-equipment-{n}]/agentNote ~ words
/path_equipment[]/took_part = premis agent[path-equipment-{n}]/agentNote ~ words
/path_equipment[]/pass_n = premis agent[path-equipment-{n}]/agentNote ~ words
/equipment_status[]/equipment_id = premis event[equipment-fault-notice-{n}]//eventDetail ~ words
/equipment_status[]/status = premis event[equipment-fault-notice-{n}]//eventDetail ~ words
/equipment_status[]/at = premis event[equipment-fault-notice-{n}]/eventDateTime
/equipment_status[]/by = premis event[equipment-fault-notice-{n}]//eventDetail ~ words
/equipment_status[]/note = premis event[equipment-fault-notice-{n}]//eventDetail ~ words
"""
